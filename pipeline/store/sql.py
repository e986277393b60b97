"""Names and texts in SQL, and how many rows the database keeps together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

# Rows that are compressed together. A full group is written while rows are still being added, what is left when the
# batch is complete: in groups of half the usual size there is less left.
ROW_GROUP: Final = 61_440


def identifier(name: str) -> str:
    """Quote a name for SQL."""
    return '"' + name.replace('"', '""') + '"'


def literals(texts: Iterable[str]) -> str:
    """Quote texts for a list in SQL; an empty list names nothing."""
    return ", ".join(map(literal, texts)) or "NULL"


def literal(text: str) -> str:
    """Quote a text for SQL, where a parameter is not possible."""
    return "'" + text.replace("'", "''") + "'"
