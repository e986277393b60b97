"""Whether a store is sound: every block is read, the books are balanced, the archive is complete."""

from __future__ import annotations

import hashlib
import shutil
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import duckdb

from pipeline.store import archive
from pipeline.store.database import Store, absent
from pipeline.store.journal import Journal, broken_links
from pipeline.store.sql import identifier

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


Soundness = Literal["sound", "told", "repaired", "unsound"]

_MIB: Final = 1 << 20
_LEFTOVERS: Final = (".part-*", ".kettlestone-*")

# What must be nought in every store: words for the rows that should not be there → a query that counts them.
_BOOKS: Final[dict[str, str]] = {
    "batches whose entries are not those accepted and set aside": (
        "SELECT count(*) FROM batch WHERE entries_read <> entries_accepted + entries_set_aside"
    ),
    "readings more or fewer than the batches accepted": (
        "SELECT abs((SELECT coalesce(sum(entries_accepted), 0) FROM batch) - count(*)) "
        "FROM reading_value WHERE decision_id IS NULL"
    ),
    "entries set aside more or fewer than the batches told": (
        "SELECT abs((SELECT coalesce(sum(entries_set_aside), 0) FROM batch) - count(*)) FROM set_aside"
    ),
    "readings with a number that another has": "SELECT count(*) - count(DISTINCT reading_id) FROM reading_value",
    "readings of a kind that is not there": "SELECT count(*) FROM reading_value ANTI JOIN reading_kind USING (kind_id)",
    "readings of a sample that is not there": "SELECT count(*) FROM reading_value ANTI JOIN sample USING (sample_id)",
    "readings of a file that is not there": "SELECT count(*) FROM reading_kind k ANTI JOIN source_file f "
    "ON k.file_sha256 = f.file_sha256 WHERE k.file_sha256 <> ''",
    "samples that are there twice": "SELECT count(*) - count(DISTINCT sample_id) FROM sample",
    "findings about a sample that is not there": (
        "SELECT count(*) FROM finding f ANTI JOIN sample s ON f.sample_id = s.sample_id WHERE f.sample_id IS NOT NULL"
    ),
    "answers to a finding that is not there": "SELECT count(*) FROM decision ANTI JOIN finding USING (finding_id)",
    "files of a batch that is not there": "SELECT count(*) FROM source_file ANTI JOIN batch USING (batch_id)",
}


@dataclass(frozen=True)
class Observation:
    """One thing that was looked at: what, its state, and words for people."""

    subject: str
    state: Soundness
    words: str


def examine(path: Path, *, every_file: bool, wait_s: float) -> Iterator[Observation]:
    """Look at a store, its archive and its folder; nothing is changed but leftovers of runs that were killed.

    Parameters
    ----------
    path : the store's file.
    every_file : also read every archived file again and compare its hash.
    wait_s : how long to wait while another process has the store [s].

    Yields
    ------
    what was found, in the order it was looked at.

    Raises
    ------
    KettlestoneError : there is no store, or it cannot be opened.
    """
    if not path.exists():
        raise absent(path)
    yield _log_of_writes(path)
    with Store(path, read_only=True, wait_s=wait_s) as store:
        yield from _tables(store)
        yield from _books(store)
        yield _archived(store, every_file=every_file)
        yield _journal(store)
    yield from _leftovers(path.parent)
    yield _room(path)


def _log_of_writes(path: Path) -> Observation:
    """Tell of changes that lie beside the store: they belong to it, and a copy without them lacks them."""
    log = path.with_name(f"{path.name}.wal")
    if log.exists() and log.stat().st_size:
        return Observation("log of writes", "told", f"{log.name} holds changes; copy or move it only with the store")
    return Observation("log of writes", "sound", "no changes lie beside the store")


def _tables(store: Store) -> Iterator[Observation]:
    """Read every value of every table; DuckDB proves the checksum of each block that it takes from the disk."""
    connection = store.connection
    names = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database() ORDER BY table_name"
    ).fetchall()
    rows, broken = 0, False
    for (name,) in names:
        try:
            [(count, _)] = connection.execute(f"SELECT count(*), bit_xor(hash(t)) FROM {identifier(name)} t").fetchall()  # noqa: S608 - a name of the catalogue, quoted
        except duckdb.Error as error:
            broken = True
            yield Observation("tables", "unsound", f"{name} cannot be read: {str(error).splitlines()[0]}")
        else:
            rows += count
    if not broken:
        yield Observation("tables", "sound", f"{len(names)} tables with {rows:,} rows were read from first to last")


def _books(store: Store) -> Iterator[Observation]:
    balanced = True
    for words, query in _BOOKS.items():
        with suppress(duckdb.Error):  # a table that cannot be read was told already
            [(count,)] = store.connection.execute(query).fetchall()
            if count:
                balanced = False
                yield Observation("books", "unsound", f"{count:,} {words}")
    if balanced:
        yield Observation("books", "sound", f"{len(_BOOKS)} accounts are balanced")


def _archived(store: Store, *, every_file: bool) -> Observation:
    """Compare the archive with what the store says it holds."""
    with suppress(duckdb.Error):
        files = store.connection.execute(
            "SELECT file_sha256, min(name), min(bytes) FROM source_file WHERE file_sha256 <> '' GROUP BY ALL ORDER BY 2"
        ).fetchall()
        wrong = [name for sha256, name, size in files if not _kept(store.path, sha256, size, every_file=every_file)]
        if wrong:
            named = ", ".join(wrong[:3]) + (f" and {len(wrong) - 3} more" if len(wrong) > 3 else "")  # noqa: PLR2004 - three are named
            words = f"{len(wrong)} of {len(files)} files are missing or changed in the archive: {named}"
            return Observation("archive", "unsound", f"{words}. Import them again from where they came from")
        how = "read again, hash by hash" if every_file else "there in full length"
        return Observation("archive", "sound", f"{len(files)} files are {how}")
    return Observation("archive", "unsound", "which files belong to it cannot be read from the store")


def _journal(store: Store) -> Observation:
    """Compare the journal with the store, and its lines with each other."""
    journal = Journal.of(store.path)
    state = journal.read()
    gaps = broken_links(state.entries)
    if state.damaged or gaps:
        where = f"line {state.damaged[0]}" if state.damaged else f"change {gaps[0]}"
        return Observation(
            "journal", "unsound", f"{journal.path.name} is damaged at {where}: what came later cannot be made anew"
        )
    with suppress(duckdb.Error):
        if not journal.knows(store.connection):
            return Observation(
                "journal", "told", "it does not know the last change; the next command that writes begins it anew"
            )
    return Observation("journal", "sound", f"{len(state.stored)} changes are written down")


def _kept(store: Path, sha256: str, size: int, *, every_file: bool) -> bool:
    place = archive.place(store, sha256)
    if not place.is_file() or place.stat().st_size != size:
        return False
    if not every_file:
        return True
    with place.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == sha256


def _leftovers(folder: Path) -> Iterator[Observation]:
    """Remove what runs that were killed left half written; nothing refers to it."""
    found = [left for pattern in _LEFTOVERS for left in folder.rglob(pattern)]
    for left in found:
        if left.is_dir():
            shutil.rmtree(left, ignore_errors=True)
        else:
            left.unlink(missing_ok=True)
    if found:
        yield Observation("leftovers", "repaired", f"{len(found)} half-written files of killed runs were removed")


def _room(path: Path) -> Observation:
    free, size = shutil.disk_usage(path.parent).free, path.stat().st_size
    state: Soundness = "sound" if free > 2 * size else "told"
    words = f"{free / _MIB:,.0f} MiB are free on its disk"
    return Observation("room", state, words if state == "sound" else f"{words}: too few for a backup and a batch")
