"""Whether two stores hold the same: every row of every table, whatever the order."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.store.sql import identifier, literal
from schemas.stored import STORED

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.store.database import Store


def differences(store: Store, other: Path) -> list[str]:
    """Compare a store with another one.

    Parameters
    ----------
    store : open.
    other : the file of the other store, of the same version.

    Returns
    -------
    for each table that differs its name and how many rows only one of the two has; nothing where they are equal.
    """
    connection = store.connection
    connection.execute(f"ATTACH {literal(str(other))} AS other (READ_ONLY)")
    try:
        found = {name: _only_in_one(store, name, list(columns)) for name, columns in _columns().items()}
    finally:
        connection.execute("DETACH other")
    return [
        f"{name}: {here} rows only here, {there} only there" for name, (here, there) in found.items() if here + there
    ]


def _columns() -> dict[str, list[str]]:
    return {name: [field.name for field in fields] for name, fields in STORED.items()}


def _only_in_one(store: Store, name: str, columns: list[str]) -> tuple[int, int]:
    listed = ", ".join(map(identifier, columns))
    here, there = (f"SELECT {listed} FROM {database}.{identifier(name)}" for database in ("store", "other"))  # noqa: S608 - of the schema
    counts = [
        store.connection.execute(f"SELECT count(*) FROM ({one} EXCEPT ALL {two})").fetchall()[0][0]  # noqa: S608 - same
        for one, two in ((here, there), (there, here))
    ]
    return int(counts[0]), int(counts[1])
