"""One column of a table: what it holds, what may stand in it, and how the store keeps it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Container, Iterable

# Table Schema type → type in the store.
_STORED: Final[dict[str, str]] = {
    "string": "VARCHAR",
    "number": "DOUBLE",
    "integer": "BIGINT",
    "datetime": "TIMESTAMP",
    "boolean": "BOOLEAN",
}


@dataclass(frozen=True)
class Field:
    """One column: its Table Schema type, what it means, its UCUM unit and the words it may hold.

    ``required``: never empty. ``needed``: a frame without this column says nothing and is refused; any
    other column may be left out. ``stored``: its type in the store, where that is not the usual one.
    """

    name: str
    kind: str
    title: str
    unit: str = ""
    words: tuple[str, ...] = ()
    required: bool = False
    unique: bool = False
    needed: bool = False
    stored: str = ""

    @property
    def sql_type(self) -> str:
        """Give the type of the column in the store."""
        return self.stored or _STORED[self.kind]

    def described(self) -> dict[str, Any]:
        """Give the field as Table Schema writes it; `unit` is an extra property."""
        limits: dict[str, Any] = {}
        if self.required:
            limits["required"] = True
        if self.unique:
            limits["unique"] = True
        if self.words:
            # An empty cell is a missing value, not one of the words.
            limits["enum"] = [word for word in self.words if word]
        described: dict[str, Any] = {"name": self.name, "type": self.kind, "title": self.title}
        if self.unit:
            described["unit"] = self.unit
        if limits:
            described["constraints"] = limits
        return described


Fields = tuple[Field, ...]


def text(name: str, title: str, words: tuple[str, ...] = (), *, required: bool = False, needed: bool = False) -> Field:
    """Declare a column of text."""
    return Field(name, "string", title, words=words, required=required, needed=needed)


def number(name: str, title: str, unit: str = "", *, needed: bool = False, stored: str = "") -> Field:
    """Declare a column of numbers."""
    return Field(name, "number", title, unit, needed=needed, stored=stored)


def whole(name: str, title: str, *, required: bool = False, needed: bool = False, stored: str = "") -> Field:
    """Declare a column of whole numbers."""
    return Field(name, "integer", title, required=required, needed=needed, stored=stored)


def time(name: str, title: str) -> Field:
    """Declare a column of times, UTC."""
    return Field(name, "datetime", title)


def names(fields: Iterable[Field], *, without: Container[str] = ()) -> list[str]:
    """List the names of fields, in their order."""
    return [field.name for field in fields if field.name not in without]


def needed(fields: Iterable[Field]) -> list[str]:
    """List the columns without which a frame says nothing."""
    return [field.name for field in fields if field.needed]


def of_kind(fields: Iterable[Field], kind: str) -> list[str]:
    """List the columns of one Table Schema type."""
    return [field.name for field in fields if field.kind == kind]


def fields_named(fields: Iterable[Field], *wanted: str) -> Fields:
    """Take some fields by name, in the order of the names."""
    by_name = {field.name: field for field in fields}
    return tuple(by_name[name] for name in wanted)


def besides(fields: Iterable[Field], *unwanted: str) -> Fields:
    """Take all fields but some."""
    return tuple(field for field in fields if field.name not in unwanted)
