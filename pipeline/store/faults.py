"""What can go wrong with a store, in words: what happened, what is safe and what to do."""

from __future__ import annotations

import errno
import os
import re
from typing import TYPE_CHECKING

from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from pathlib import Path

_HOLDER = re.compile(r"\(PID (\d+)\)")
_LOCKED = ("Could not set lock", "Conflicting lock", "different configuration", "already attached")
_FULL = ("No space left", "File too large", "Disk quota", "disk full")
_DAMAGED = ("Corrupt database", "Could not read enough bytes", "computed checksum", "Failure while replaying WAL")
_FOREIGN_LOG = "WAL does not match database file"
_FULL_NUMBERS = (errno.ENOSPC, errno.EFBIG, errno.EDQUOT)


class StoreLockedError(KettlestoneError):
    """Another process holds the store and did not let go in time."""


class AlreadyStoredError(KettlestoneError):
    """A file of the batch came into the store since it was looked up; ``hashes`` names it."""

    def __init__(self, hashes: list[str]) -> None:
        """Keep the hashes, so that the caller can leave those files out and go on."""
        self.hashes = hashes
        super().__init__(
            f"{len(hashes)} of the files were stored by another run in the meantime: {', '.join(hashes)}.\n"
            "  Nothing of this batch was stored and nothing is lost.\n"
            "  Run the same command again: stored files are recognised and left out."
        )


def same_batch(batch_id: str) -> KettlestoneError:
    """Say that another run has stored the same files in the same second."""
    return KettlestoneError(
        f"batch {batch_id}: another run has stored the same files at the same moment; it is stored already.\n"
        "  Nothing of this run was stored and nothing is lost.\n"
        "  Run the same command again: stored files are recognised and left out."
    )


def is_locked(error: Exception) -> bool:
    """Tell whether DuckDB refused a file because somebody else has it open."""
    return any(mark in str(error) for mark in _LOCKED)


def is_full(error: Exception) -> bool:
    """Tell whether an error means that the disk, the quota or the largest file size is reached."""
    if isinstance(error, OSError) and error.errno in _FULL_NUMBERS:
        return True
    return any(mark in str(error) for mark in _FULL)


def locked(path: Path, error: Exception, waited: float) -> StoreLockedError:
    """Say who holds the store."""
    found = _HOLDER.search(str(error))
    holder = f"process {found[1]}" if found else f"this process ({os.getpid()})"
    return StoreLockedError(
        f"{path}: the store is in use by {holder}; it was not free after {waited:.0f} s of waiting.\n"
        "  Nothing was changed; what the other process writes is safe.\n"
        "  Wait until it has finished, or raise lock_wait_s in the settings. To read while others "
        "write, open a copy made by kettlestone snapshot."
    )


def disk_full(path: Path, error: Exception) -> KettlestoneError:
    """Say that there is no room left and that the store is as it was before."""
    return KettlestoneError(
        f"{path}: no room left to write ({_first_line(error)}).\n"
        "  The batch was not stored; the store is as it was before, and earlier batches are safe.\n"
        "  Free some space (or raise the quota) and run the same command again."
    )


def is_a_folder(path: Path) -> KettlestoneError:
    """Say that a folder was given where a file is meant."""
    return KettlestoneError(
        f"{path}: this is a folder, the store is a file.\n"
        "  Nothing was changed.\n"
        f"  Give a file in it, for example --store {path / 'kettlestone.duckdb'}."
    )


def missing(path: Path) -> KettlestoneError:
    """Say that there is no store to read."""
    return KettlestoneError(
        f"{path}: there is no store here yet.\n"
        "  Nothing was changed.\n"
        "  Import something first (kettlestone intake FILE), or give the right file with --store."
    )


def lost(path: Path, changes: int) -> KettlestoneError:
    """Say that a store is gone whose archive is still there: it must not be begun anew in silence.

    Parameters
    ----------
    path : of the store.
    changes : that its journal has; 0 where there is none.
    """
    kept = sum(1 for file in (path.parent / "archive").glob("*/*") if file.is_file())
    way = (
        f"Put the store back where it was; or make it anew from the archive and its journal of {_changes(changes)}:\n"
        f"  {_restore(path)}"
        if changes
        else "Put the store back where it was (or a snapshot or backup of it). If it is lost for good, import the "
        "original files into a new folder with --out."
    )
    return KettlestoneError(
        f"{path}: the store is gone, but its archive is there, with {_files(kept)}.\n  Nothing was changed.\n  {way}"
    )


def lost_changes(path: Path, lost: int, first: str) -> KettlestoneError:
    """Say that a store lacks changes which the journal proves it had; ``first`` says what and when the first was."""
    return KettlestoneError(
        f"{path}: the store lacks its last {_changes(lost)} ({first}, and later), "
        "which its journal proves it had.\n"
        "  Nothing was changed. Either it is an older copy of the store, or the file with its last changes, "
        f"{path.name}.wal, is missing or was cut.\n"
        "  Put the newer copy or that file back; or make the store anew from archive and journal:\n"
        f"  {_restore(path)}\n"
        f"  To go on from the older state in spite of this, move {path.parent / 'archive' / (path.name + '.journal')} "
        "aside."
    )


def _changes(count: int) -> str:
    return f"{count} change{'' if count == 1 else 's'}"


def _files(count: int) -> str:
    return f"{count} file{'' if count == 1 else 's'}"


def _restore(path: Path) -> str:
    return f"kettlestone restore --from {path.parent / 'archive'} {path.with_name('restored.duckdb')}"


def not_permitted(path: Path, what: str) -> KettlestoneError:
    """Say which permission is missing."""
    return KettlestoneError(
        f"{path}: {what}.\n"
        "  Nothing was changed.\n"
        "  Give yourself the permission, or put the store elsewhere with --store."
    )


def not_a_store(path: Path, why: str) -> KettlestoneError:
    """Say that the file is something else; it is never overwritten."""
    return KettlestoneError(
        f"{path}: this file is not a store of ours: {why}.\n"
        "  It was not touched.\n"
        "  Give another file with --store; a new one is made where none is."
    )


def newer_store(path: Path, found: int, known: int) -> KettlestoneError:
    """Refuse a store of a later version: an older program could misread it."""
    return KettlestoneError(
        f"{path}: the store has version {found}, this program knows versions up to {known}.\n"
        "  Nothing was changed.\n"
        "  Install the newer program, or open a backup that lies beside the store (*.before-*)."
    )


def older_store(path: Path, found: int, known: int) -> KettlestoneError:
    """Say that a store must be brought up to date before it can be read."""
    return KettlestoneError(
        f"{path}: the store has version {found}, this program reads version {known}.\n"
        "  Nothing was changed.\n"
        "  Run a command that writes (kettlestone intake FILE): it makes a backup and brings the store up "
        "to date. A snapshot is made anew by kettlestone snapshot."
    )


def edited_migration(path: Path, name: str) -> KettlestoneError:
    """Refuse when the program's migration is not the one the store was made with."""
    return KettlestoneError(
        f"{path}: the store was made with another text of migration {name}.\n"
        "  Nothing was changed.\n"
        "  The program's own files were edited after the fact: install the program again."
    )


def failed_migration(path: Path, name: str, error: Exception) -> KettlestoneError:
    """Say that a migration did not go through and was taken back."""
    return KettlestoneError(
        f"{path}: migration {name} failed ({_first_line(error)}).\n"
        "  It was taken back as a whole; the store is as it was, and a backup lies beside it (*.before-*).\n"
        "  Report the message; until then use the program version that made the store."
    )


def damaged(path: Path, error: Exception) -> KettlestoneError:
    """Say that blocks of the store cannot be read, what is safe all the same, and the way out."""
    return KettlestoneError(
        f"{path}: the store is damaged ({_first_line(error)}).\n"
        f"  Nothing was changed; the files it was made from lie unchanged in {path.parent / 'archive'}.\n"
        "  kettlestone doctor says what can still be read. Make it anew from archive and journal:\n"
        f"  {_restore(path)}\n"
        "  or go back to the newest sound copy (a backup *.before-* beside the store) and import what came later again."
    )


def foreign_log(path: Path) -> KettlestoneError:
    """Say that the changes that lie beside the store are those of another one."""
    log = path.with_name(f"{path.name}.wal")
    return KettlestoneError(
        f"{path}: the changes in {log.name} beside it belong to another store, or to an older copy of this one.\n"
        "  Nothing was changed.\n"
        f"  Move {log} aside and keep it (it holds the last changes of the store it belongs to), then run the same "
        "command again."
    )


def _of_the_file(path: Path, error: Exception) -> KettlestoneError | None:
    """Say what is wrong with the file itself; None where nothing is."""
    text = str(error)
    if _FOREIGN_LOG in text:
        return foreign_log(path)
    if is_damaged(error):
        return damaged(path, error)
    if "not a valid DuckDB database" in text:
        return not_a_store(path, "it holds no DuckDB database")
    if "version number" in text:
        return not_a_store(path, "it was written by a DuckDB this program does not know")
    return None


def is_damaged(error: Exception) -> bool:
    """Tell whether DuckDB found that the file is not as it was written."""
    return any(mark in str(error) for mark in _DAMAGED)


def fault_of(path: Path, error: Exception) -> KettlestoneError:
    """Turn an error of DuckDB or of the system into a paragraph for people."""
    text = str(error)
    if is_full(error):
        return disk_full(path, error)
    if "Permission denied" in text or isinstance(error, PermissionError):
        return not_permitted(path, f"reading or writing was refused ({_first_line(error)})")
    return _of_the_file(path, error) or KettlestoneError(
        f"{path}: the store could not be used ({_first_line(error)}).\n"
        "  What was stored before is safe; the running batch was not stored.\n"
        "  Check the disk and the folder, then run the same command again."
    )


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
