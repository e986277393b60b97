"""Copies of a store that others read while it is written."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

import duckdb

from pipeline.errors import KettlestoneError
from pipeline.store import faults
from pipeline.store.database import copy_database
from pipeline.store.sql import identifier, literal

if TYPE_CHECKING:
    from pipeline.store.database import Store


_PUBLIC: Final = ("v_sample", "v_reading", "v_finding", "v_correction", "v_latest", "v_trend", "v_region")


def snapshot(store: Store, target: Path) -> Path:
    """Publish a copy that others read while the store is written.

    Parameters
    ----------
    target : a name ending in ``.duckdb`` gives one read-only DuckDB file with the views; any other
        name a folder with one Parquet file per table and view. An earlier copy of that name is replaced.

    Returns
    -------
    the target. It is complete or absent at every moment.

    Raises
    ------
    KettlestoneError : the target is in the way or cannot be written.
    """
    if target.resolve() == store.path.resolve():
        raise KettlestoneError(
            f"{target}: this is the store itself.\n  Nothing was changed.\n  Give the copy another name."
        )
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.suffix == ".duckdb":
            _file_snapshot(store, target)
        else:
            _folder_snapshot(store, target)
    except (duckdb.Error, OSError) as error:
        raise faults.fault_of(target, error) from error
    return target


def _file_snapshot(store: Store, target: Path) -> None:
    if target.is_dir():
        raise faults.is_a_folder(target)
    copy_database(store.connection, target)
    target.chmod(0o444)


def _folder_snapshot(store: Store, target: Path) -> None:
    """Write the tables aside, then swap the folders; only a folder of Parquet files is ever replaced."""
    if target.exists() and not (target.is_dir() and all(f.suffix == ".parquet" for f in target.iterdir())):
        raise faults.not_a_store(target, "a snapshot replaces only a folder of Parquet files")
    with tempfile.TemporaryDirectory(prefix=".kettlestone-", dir=target.parent) as folder:
        fresh = Path(folder) / "fresh"
        fresh.mkdir()
        tables = store.connection.execute(
            "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database()"
        ).fetchall()
        # Readings are kept in two tables and shown as one.
        names = {name for (name,) in tables} - {"reading_kind", "reading_value"} | {"reading", *_PUBLIC}
        for table in sorted(names):
            file = literal(str(fresh / f"{table}.parquet"))
            store.connection.execute(f"COPY {identifier(table)} TO {file} (FORMAT parquet, COMPRESSION zstd)")
        if target.exists():
            shutil.move(target, Path(folder) / "earlier")
        fresh.rename(target)
