"""The journal beside the archive: what every change of a store was, so that it can be made again from the files.

A change is written down and forced to disk before it is committed, in the store under its number within the same
transaction, and marked in the journal after. Whatever ends the program in between, the next one that writes sees by
the number in the store whether the change was made, and marks it. A store that lacks a change which is marked has
lost it.
"""

from __future__ import annotations

import contextlib
import contextvars
import hashlib
import json
import os
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from pipeline import __version__
from pipeline.store.archive import sync_folder
from pipeline.store.sql import identifier
from schemas.stored import STORED

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    import duckdb

_STORED, _TAKEN_BACK = "stored", "taken_back"
_UNFINISHED: Final = b"#unfinished"  # ends a line whose program did not: nothing came of it
# The numbers of changes are no change of their own.
_COUNTED: Final = tuple(name for name in STORED if name != "journal_entry")


class Change(NamedTuple):
    """What a transaction does: its kind, and all that is needed to do it again (JSON-ready)."""

    kind: str
    what: dict[str, Any]


@dataclass(frozen=True)
class JournalEntry:
    """One change as the journal has it.

    Attributes
    ----------
    number : counts up; numbers of changes that were taken back are left out.
    sha256 : of its line.
    previous : the same of the entry before it, "" of the first.
    change : what it did.
    at, version : when, by which version of the program.
    rows : rows of every table after it.
    line : as it is written.
    """

    number: int
    sha256: str
    previous: str
    change: Change
    at: str
    version: str
    rows: Mapping[str, int]
    line: bytes = b""

    @property
    def moment(self) -> str:
        """Say when it was, to the second."""
        return f"{self.at[:19].replace('T', ' ')} UTC"


@dataclass
class JournalState:
    """What a journal holds: its entries, how each ended ("" unknown), and lines that nobody can read."""

    entries: list[JournalEntry] = field(default_factory=list)
    ends: dict[int, str] = field(default_factory=dict)
    damaged: list[int] = field(default_factory=list)
    torn: bool = False

    @property
    def last(self) -> JournalEntry | None:
        """Give the last entry."""
        return self.entries[-1] if self.entries else None

    @property
    def stored(self) -> list[JournalEntry]:
        """Give the entries that are in the store."""
        return [entry for entry in self.entries if self.ends.get(entry.number) == _STORED]


_replayed: contextvars.ContextVar[JournalEntry | None] = contextvars.ContextVar("replayed", default=None)


@contextlib.contextmanager
def replaying(entry: JournalEntry) -> Iterator[None]:
    """Let the changes within the block be those of an entry: they take its number and are not written down again."""
    token = _replayed.set(entry)
    try:
        yield
    finally:
        _replayed.reset(token)


def is_replaying() -> bool:
    """Tell whether an entry is being replayed."""
    return _replayed.get() is not None


class Journal:
    """The journal of one store."""

    def __init__(self, path: Path) -> None:
        """Remember where it is; nothing is read yet."""
        self.path = path
        self._state: JournalState | None = None

    @classmethod
    def of(cls, store: Path) -> Journal:
        """Give the journal of the store with this file."""
        return cls(store.parent / "archive" / f"{store.name}.journal")

    def read(self) -> JournalState:
        """Read all of it."""
        if self._state is None:
            self._state = _parsed(self.path.read_bytes()) if self.path.exists() else JournalState()
        return self._state

    def missing(self, connection: duckdb.DuckDBPyConnection) -> list[JournalEntry]:
        """List the changes that the store once had and has no longer."""
        kept = _number(connection)
        return [entry for entry in self.read().stored if entry.number > kept[0]]

    def knows(self, connection: duckdb.DuckDBPyConnection) -> bool:
        """Tell whether the last change of the store is an entry of this journal; a store without rows needs none."""
        number, sha256 = _number(connection)
        if number:
            return any((entry.number, entry.sha256) == (number, sha256) for entry in self.read().entries)
        return not any(row_counts(connection).values())

    def settle(self, connection: duckdb.DuckDBPyConnection) -> None:
        """Mark how the last change ended whose program did not come to it."""
        state, (number, _) = self.read(), _number(connection)
        if state.torn:
            self._append(_UNFINISHED)
            state.torn = False
        last = state.last
        if last is None:
            return
        how = _STORED if last.number <= number else _TAKEN_BACK
        if state.ends.get(last.number, "") != how:
            self._mark(last, how)

    def prepare(self, connection: duckdb.DuckDBPyConnection, change: Change | None) -> JournalEntry | None:
        """Write a change down before it is committed, and its number into the store within its transaction.

        Returns
        -------
        the entry, to be marked; None where an entry is replayed.
        """
        if (entry := _replayed.get()) is not None:
            _keep_number(connection, entry)
            return None
        state = self.read()
        change = change or Change("other", {})
        last = max([_number(connection)[0], *(one.number for one in state.entries[-1:])])
        line = json.dumps(
            {
                "number": last + 1,
                "at": datetime.now(UTC).isoformat(),
                "version": __version__,
                "kind": change.kind,
                "what": change.what,
                "rows": row_counts(connection),
                "previous": state.last.sha256 if state.last else "",
            },
            ensure_ascii=False,
            default=str,
        ).encode()
        entry = _entry(line)
        self._append(line)
        state.entries.append(entry)
        _keep_number(connection, entry)
        return entry

    def mark(self, entry: JournalEntry | None, *, stored: bool) -> None:
        """Mark how a change ended; where that cannot be written, the next program that writes sees it by the number."""
        if entry is not None:
            with contextlib.suppress(OSError):
                self._mark(entry, _STORED if stored else _TAKEN_BACK)

    def write(self, entries: Iterable[JournalEntry]) -> None:
        """Write a new journal of entries that are in a store."""
        self._state = JournalState()
        for entry in entries:
            self._append(entry.line)
            self._mark(entry, _STORED)

    def _mark(self, entry: JournalEntry, how: str) -> None:
        self._append(json.dumps({how: entry.number, "sha256": entry.sha256}).encode())
        self.read().ends[entry.number] = how

    def _append(self, line: bytes) -> None:
        """Add a line and force it to disk; the file is never written in any other way."""
        fresh = not self.path.exists()
        self.path.parent.mkdir(parents=True, exist_ok=True)
        number = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o644)
        try:
            rest = memoryview(line + b"\n")
            while rest:
                rest = rest[os.write(number, rest) :]
            os.fsync(number)
        finally:
            os.close(number)
        if fresh:
            sync_folder(self.path.parent)


def _parsed(data: bytes) -> JournalState:
    *lines, rest = data.split(b"\n")
    state = JournalState(torn=bool(rest))
    for place, line in enumerate(lines, start=1):
        if not line or line.endswith(_UNFINISHED):
            continue
        try:
            _take(state, line)
        except (ValueError, KeyError, TypeError):
            state.damaged.append(place)
    return state


def _take(state: JournalState, line: bytes) -> None:
    read = json.loads(line)
    if "number" in read:
        state.entries.append(_entry(line))
        return
    for how in (_STORED, _TAKEN_BACK):
        if how in read:
            state.ends[int(read[how])] = how
            return
    raise ValueError(line)


def _entry(line: bytes) -> JournalEntry:
    read = json.loads(line)
    return JournalEntry(
        number=int(read["number"]),
        sha256=hashlib.sha256(line).hexdigest(),
        previous=str(read["previous"]),
        change=Change(str(read["kind"]), read["what"]),
        at=str(read["at"]),
        version=str(read["version"]),
        line=line,
        rows={str(name): int(count) for name, count in read["rows"].items()},
    )


def broken_links(entries: list[JournalEntry]) -> list[int]:
    """List the numbers of entries whose predecessor is not the one they were written after."""
    before = ["", *(entry.sha256 for entry in entries)]
    return [entry.number for entry, previous in zip(entries, before, strict=False) if entry.previous != previous]


def _number(connection: duckdb.DuckDBPyConnection) -> tuple[int, str]:
    """Give number and hash of the last change in the store."""
    found = connection.execute("SELECT number, sha256 FROM journal_entry ORDER BY number DESC LIMIT 1").fetchall()
    return (int(found[0][0]), str(found[0][1])) if found else (0, "")


def _keep_number(connection: duckdb.DuckDBPyConnection, entry: JournalEntry) -> None:
    connection.execute("INSERT INTO journal_entry VALUES (?, ?)", [entry.number, entry.sha256])


def row_counts(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Count the rows of every table."""
    counts = ", ".join(f"(SELECT count(*) FROM {identifier(name)})" for name in _COUNTED)  # noqa: S608 - of the schema
    [found] = connection.execute(f"SELECT {counts}").fetchall()
    return dict(zip(_COUNTED, map(int, found), strict=True))
