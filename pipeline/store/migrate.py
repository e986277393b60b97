"""Bring a store to the version of the program: numbered SQL, each in one transaction, a backup first."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

import duckdb

from pipeline.store import faults

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

_LEDGER = """
CREATE TABLE IF NOT EXISTS schema_version (
    version INTEGER NOT NULL,
    name VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    applied_at TIMESTAMP NOT NULL
)
"""


@dataclass(frozen=True)
class Migration:
    """One numbered step of the tables. A published step is never edited; a change is a new step."""

    version: int
    name: str
    sql: str

    @property
    def sha256(self) -> str:
        """Return the hash of the text, kept in the store to notice later edits."""
        return hashlib.sha256(self.sql.encode()).hexdigest()


@cache
def migrations() -> tuple[Migration, ...]:
    """Read the steps that come with the program, in order."""
    return tuple(
        Migration(int(name.split("_")[0]), name.removesuffix(".sql"), sql)
        for name, sql in scripts("migrations").items()
    )


@cache
def scripts(folder: str) -> dict[str, str]:
    """Read the SQL texts of a folder of this package, by file name."""
    root = resources.files("pipeline.store").joinpath(folder)
    found = sorted((entry for entry in root.iterdir() if entry.name.endswith(".sql")), key=lambda e: e.name)
    return {entry.name: entry.read_text(encoding="utf-8") for entry in found}


def applied(connection: duckdb.DuckDBPyConnection) -> dict[int, str]:
    """Return the steps a database has seen, version → hash; empty for a database that is new or foreign."""
    if not _has_table(connection, "schema_version"):
        return {}
    return dict(connection.execute("SELECT version, sha256 FROM schema_version ORDER BY version").fetchall())


def pending_steps(connection: duckdb.DuckDBPyConnection, path: Path, steps: Sequence[Migration]) -> Sequence[Migration]:
    """Compare a database with the program's steps and return those still to do.

    Raises
    ------
    KettlestoneError : the database is another program's, is newer, or was made with other texts.
    """
    done = applied(connection)
    if not done and _tables(connection):
        raise faults.not_a_store(path, "it is the DuckDB database of another program")
    known = {step.version: step for step in steps}
    newest = max(known)
    if done and max(done) > newest:
        raise faults.newer_store(path, max(done), newest)
    for version, sha256 in done.items():
        if known[version].sha256 != sha256:
            raise faults.edited_migration(path, known[version].name)
    return [step for step in steps if step.version not in done]


def bring_up_to_date(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    *,
    steps: Sequence[Migration],
    backup: Callable[[str], object] | None = None,
) -> None:
    """Apply the missing steps and refresh the views.

    Parameters
    ----------
    connection : open for writing, its default database is the store.
    path : the store's file, for messages.
    steps : all steps the program knows.
    backup : called once with the name of the first missing step, before anything is changed.

    Raises
    ------
    KettlestoneError : see ``check``; or a step failed and was taken back.
    """
    missing = pending_steps(connection, path, steps)
    if missing and backup is not None:
        backup(missing[0].name)
    for step in missing:
        _apply(connection, path, step)
    refresh_views(connection)


def refresh_views(connection: duckdb.DuckDBPyConnection) -> None:
    """Define the views anew if their text is not the one the store has."""
    texts = scripts("views")
    sha256 = _hash_of_views()
    if _stored_hash(connection) == sha256:
        return
    connection.begin()
    try:
        for text in texts.values():
            connection.execute(text)
        connection.execute("INSERT INTO view_version VALUES (?, ?)", [sha256, _now()])
    except duckdb.Error:
        connection.rollback()
        raise
    connection.commit()


def views_for_reading(connection: duckdb.DuckDBPyConnection) -> None:
    """Define the views beside a store that may only be read, if their text is not the one the store has."""
    if _stored_hash(connection) == _hash_of_views():
        return
    for text in scripts("views").values():
        definition = text.partition("COMMENT ON")[0]
        connection.execute(definition.replace("CREATE OR REPLACE VIEW", "CREATE OR REPLACE TEMP VIEW"))


def _hash_of_views() -> str:
    return hashlib.sha256("\n".join(scripts("views").values()).encode()).hexdigest()


def _stored_hash(connection: duckdb.DuckDBPyConnection) -> str:
    found = connection.execute(
        "SELECT sha256 FROM view_version ORDER BY applied_at DESC, rowid DESC LIMIT 1"
    ).fetchall()
    return str(found[0][0]) if found else ""


def _apply(connection: duckdb.DuckDBPyConnection, path: Path, step: Migration) -> None:
    connection.begin()
    try:
        connection.execute(_LEDGER)
        connection.execute(step.sql)
        connection.execute(
            "INSERT INTO schema_version VALUES (?, ?, ?, ?)", [step.version, step.name, step.sha256, _now()]
        )
    except duckdb.Error as error:
        connection.rollback()
        raise faults.failed_migration(path, step.name, error) from error
    connection.commit()


def _tables(connection: duckdb.DuckDBPyConnection) -> list[str]:
    found = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database() AND NOT internal"
    ).fetchall()
    return [name for (name,) in found]


def _has_table(connection: duckdb.DuckDBPyConnection, name: str) -> bool:
    return name in _tables(connection)


def _now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None)
