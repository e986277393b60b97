"""Open a store: create it whole, wait for its turn, and leave it in order whatever happens."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

import duckdb

from pipeline.errors import KettlestoneError
from pipeline.store import faults, migrate
from pipeline.store.appender import appending
from pipeline.store.journal import Change, Journal, is_replaying
from pipeline.store.sql import ROW_GROUP, identifier, literal

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import TracebackType

    from pipeline.store.appender import Appender
    from pipeline.store.journal import JournalEntry

# Readable by DuckDB 1.2 and later, so that an analyst's older tool can open a snapshot.
STORAGE_VERSION: Final = "v1.2.0"
Config = dict[str, str | bool | int | float | list[str]]
_THREADS: Final = 2
_MEMORY: Final = "600MB"
_FIRST_WAIT_S: Final = 0.02
_LONGEST_WAIT_S: Final = 1.0


class Store:
    """The store of one consultancy, open for as long as the ``with`` block lasts.

    While a store is open for writing no other process can read it: keep the block short.

    Parameters
    ----------
    path : file of the store; made, with its folder, where it is missing (not if ``read_only``).
    read_only : open beside other readers; nothing can be changed.
    wait_s : how long to wait while another process has the store [s].
    engine : of ``start``, where that was called ahead.

    Raises
    ------
    KettlestoneError : on entry, when the store cannot be used; says what is safe and what to do.

    Example
    -------
    >>> import tempfile
    >>> with Store(Path(tempfile.mkdtemp()) / "kettlestone.duckdb") as store:
    ...     store.connection.execute("SELECT count(*) FROM reading").fetchall()
    [(0,)]
    """

    def __init__(
        self,
        path: Path | str,
        *,
        read_only: bool = False,
        wait_s: float = 30.0,
        engine: duckdb.DuckDBPyConnection | None = None,
    ) -> None:
        """Remember where the store is; nothing is opened yet."""
        self.path = Path(path)
        self.read_only = read_only
        self.wait_s = wait_s
        self._engine = engine
        self._journal = Journal.of(self.path)
        self._connection: duckdb.DuckDBPyConnection | None = None

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        """Return the open connection."""
        if self._connection is None:
            raise RuntimeError("the store is not open; use it in a with block")
        return self._connection

    @property
    def folder(self) -> Path:
        """Return the folder that holds the store and its archive of input files."""
        return self.path.parent

    def __enter__(self) -> Self:
        """Open the store, creating it or bringing it up to date first."""
        engine = self._engine or _new_engine(_THREADS, _MEMORY)
        try:
            _make(self.path, engine, read_only=self.read_only)
            attach_store(engine, self.path, read_only=self.read_only, wait_s=self.wait_s)
        except BaseException:
            engine.close()
            raise
        self._connection = engine
        try:
            self._prepare()
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the store; what was not committed is taken back."""
        self._close()

    @contextmanager
    def transaction(self, change: Change | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
        """Do several things whole or not at all, and write down in the journal what was done.

        Parameters
        ----------
        change : what is done, so that it can be done again; the end of the block may still add to it.

        Raises
        ------
        KettlestoneError : the disk is full or the store cannot be written; everything is taken back.
        """
        connection = self.connection
        entry = None
        try:
            self._begin_journal()
            connection.begin()
            yield connection
            entry = self._journal.prepare(connection, change)
            connection.commit()
        except (duckdb.IOException, duckdb.TransactionException, duckdb.FatalException, OSError) as error:
            self._take_back(entry)
            raise faults.fault_of(self.path, error) from error
        except BaseException:
            self._take_back(entry)
            raise
        self._journal.mark(entry, stored=True)

    def _take_back(self, entry: JournalEntry | None) -> None:
        _roll_back(self.connection)
        self._journal.mark(entry, stored=False)

    def _begin_journal(self) -> None:
        """Begin the journal of a store that has rows and none: with a copy, since how it came about is not known."""
        if self._journal.knows(self.connection) or is_replaying():
            return
        base = self._journal.path.with_name(f"{self.path.name}.base-{datetime.now(UTC):%Y%m%dT%H%M%S.%f}.duckdb")
        base.parent.mkdir(parents=True, exist_ok=True)
        copy_database(self.connection, base)
        self.connection.begin()
        entry = self._journal.prepare(self.connection, Change("base", {"copy": base.name}))
        self.connection.commit()
        self._journal.mark(entry, stored=True)

    @contextmanager
    def batch(self, batch_id: str, change: Change | None = None) -> Iterator[Appender]:
        """Store a batch whole or not at all, in one transaction: it is there when the block ends without an error.

        Inside the block the store is not to be used otherwise.

        Parameters
        ----------
        batch_id : of ``batch_record.new_batch_id``.
        change : as for ``transaction``.

        Raises
        ------
        AlreadyStoredError : one of the files was stored in the meantime; nothing was written.
        KettlestoneError : no room, or the store cannot be written; nothing was written.
        ValueError : the books do not balance or a frame is not in order (a fault of the program).
        """
        with self.transaction(change), appending(self, batch_id) as appender:
            yield appender

    def _prepare(self) -> None:
        steps = migrate.migrations()
        try:
            if not self.read_only:
                migrate.bring_up_to_date(self.connection, self.path, steps=steps, backup=self._backup)
            elif missing := migrate.pending_steps(self.connection, self.path, steps):
                raise faults.older_store(self.path, missing[0].version - 1, steps[-1].version)
            else:
                migrate.views_for_reading(self.connection)
            if lost := self._journal.missing(self.connection):
                raise faults.lost_changes(self.path, len(lost), f"{lost[0].change.kind}, {lost[0].moment}")
            if not self.read_only:
                self._journal.settle(self.connection)
        except (duckdb.Error, OSError) as error:
            raise faults.fault_of(self.path, error) from error

    def _backup(self, step: str) -> Path:
        """Copy the store beside itself before a migration changes it."""
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        target = self.path.with_name(f"{self.path.name}.before-{step}-{stamp}")
        copy_database(self.connection, target)
        return target

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


def start(path: Path, *, threads: int, memory_limit: str) -> duckdb.DuckDBPyConnection:
    """Start the engine for a store that will be opened later, and make the store where there is none yet.

    Whoever opens the store is told of anything in the way.
    """
    engine = _new_engine(threads, memory_limit)
    with suppress(KettlestoneError):
        _make(path, engine, read_only=False)
    return engine


def attach_store(engine: duckdb.DuckDBPyConnection, path: Path, *, read_only: bool, wait_s: float) -> None:
    """Attach a database file to an engine, waiting for its turn with growing pauses.

    The engine itself is an empty database in memory, so that copies can be written beside the store.

    Raises
    ------
    StoreLockedError : another process held the file for longer than ``wait_s``; names it.
    KettlestoneError : the file is no database or cannot be used.
    """
    pause, waited = _FIRST_WAIT_S, 0.0
    started = time.monotonic()
    how = "READ_ONLY" if read_only else f"ROW_GROUP_SIZE {ROW_GROUP}"
    while True:
        try:
            engine.execute(f"ATTACH {literal(str(path))} AS store ({how})")
            engine.execute("USE store")
        except duckdb.Error as error:
            if not faults.is_locked(error):
                raise faults.fault_of(path, error) from error
            waited = time.monotonic() - started
            if waited >= wait_s:
                raise faults.locked(path, error, waited) from error
        else:
            return
        time.sleep(min(pause, max(wait_s - waited, 0.0)))
        pause = min(2 * pause, _LONGEST_WAIT_S)


def copy_database(connection: duckdb.DuckDBPyConnection, target: Path) -> None:
    """Copy the connected database into a new file, which appears only when it is complete."""
    [(source,)] = connection.execute("SELECT current_database()").fetchall()
    with tempfile.TemporaryDirectory(prefix=".kettlestone-", dir=target.parent) as folder:
        fresh = Path(folder) / "copy.duckdb"
        attach(connection, fresh, "fresh_copy")
        try:
            connection.execute(f"COPY FROM DATABASE {identifier(source)} TO fresh_copy")
        finally:
            connection.execute("DETACH fresh_copy")
        fresh.replace(target)


def attach(connection: duckdb.DuckDBPyConnection, path: Path, name: str) -> None:
    """Attach a new database file in the storage format older tools can read."""
    connection.execute(f"ATTACH {literal(str(path))} AS {identifier(name)} (STORAGE_VERSION '{STORAGE_VERSION}')")


def _new_engine(threads: int, memory_limit: str) -> duckdb.DuckDBPyConnection:
    config: Config = {
        "threads": threads,
        "memory_limit": memory_limit,
        "preserve_insertion_order": True,
        "checkpoint_threshold": "1MB",
        "autoinstall_known_extensions": False,
    }
    engine = duckdb.connect(config=config)
    engine.execute("SET enable_progress_bar = false")  # it would be drawn into the answer of a slow question
    return engine


def absent(path: Path) -> KettlestoneError:
    """Say that there is no store: none yet, or, where its archive is there, none any more."""
    changes = Journal.of(path).read().stored
    kept = any(file.is_file() for file in (path.parent / "archive").glob("*/*"))
    return faults.lost(path, len(changes)) if changes or kept else faults.missing(path)


def _check_place(path: Path, *, read_only: bool) -> None:
    """Refuse a place that cannot work before DuckDB sees it: its own words would not help anybody."""
    if path.is_dir():
        raise faults.is_a_folder(path)
    if not path.exists():
        if read_only:
            raise absent(path)
        _make_folder(path)
    elif not os.access(path, os.R_OK if read_only else os.R_OK | os.W_OK):
        raise faults.not_permitted(path, "the file may not be " + ("read" if read_only else "written"))
    if not read_only and not os.access(path.parent, os.W_OK):
        raise faults.not_permitted(path, "nothing may be written in its folder")


def _make_folder(path: Path) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise faults.not_permitted(path, f"its folder cannot be made ({error.strerror})") from error


def _make(path: Path, engine: duckdb.DuckDBPyConnection, *, read_only: bool) -> None:
    """Refuse a place that cannot work, and build the store where it is missing."""
    _check_place(path, read_only=read_only)
    if not path.exists():
        if changes := Journal.of(path).read().stored:
            raise faults.lost(path, len(changes))
        _create(path, engine)


def _create(path: Path, engine: duckdb.DuckDBPyConnection) -> None:
    """Build a new store aside and put it in place complete: a kill in between leaves no half store."""
    try:
        folder = Path(tempfile.mkdtemp(prefix=".kettlestone-", dir=path.parent))
    except OSError as error:
        raise faults.fault_of(path, error) from error
    try:
        fresh = folder / "new.duckdb"
        attach(engine, fresh, "fresh")
        engine.execute("USE fresh")
        try:
            migrate.bring_up_to_date(engine, path, steps=migrate.migrations())
        finally:
            engine.execute("USE memory")
            engine.execute("DETACH fresh")
        _publish(fresh, path)
    except (duckdb.Error, OSError) as error:
        raise faults.fault_of(path, error) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _publish(fresh: Path, path: Path) -> None:
    """Give the new file its name unless another process was first; then theirs is the store."""
    try:
        path.hardlink_to(fresh)
    except FileExistsError:
        return
    except (OSError, NotImplementedError) as error:
        # Some systems, and network and memory-stick file systems, know no hard links.
        if path.exists():
            raise KettlestoneError(str(error)) from error
        fresh.rename(path)


def _roll_back(connection: duckdb.DuckDBPyConnection) -> None:
    """Roll back if the database still can; a broken one takes back by itself when it is opened again."""
    try:
        connection.rollback()
    except duckdb.Error:
        return
