"""The files a store has read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.store.connected import Connected


def known_files(store: Connected, hashes: Iterable[str] | None = None) -> dict[str, str]:
    """Look up the files the store has read: hash → the batch that brought it.

    A file nobody understood is not among them: with a new layout it can be read after all.

    Parameters
    ----------
    hashes : the files in question; None = all.
    """
    known = (
        "SELECT file_sha256, min(batch_id) FROM source_file {} "
        "WHERE status <> 'not understood' AND file_sha256 <> '' GROUP BY file_sha256"
    )
    if hashes is None:
        return dict(store.connection.execute(known.format("")).fetchall())
    wanted = pd.DataFrame({"file_sha256": pd.Series(list(hashes), dtype="str")})
    store.connection.register("wanted_files", wanted)
    try:
        among = known.format("SEMI JOIN wanted_files USING (file_sha256)")
        found = store.connection.execute(among).fetchall()
    finally:
        store.connection.unregister("wanted_files")
    return dict(found)


def stored_batches(store: Connected) -> frozenset[str]:
    """List the batches the store has."""
    return frozenset(name for (name,) in store.connection.execute("SELECT batch_id FROM batch").fetchall())


def file_names(store: Connected) -> dict[str, str]:
    """Name the files the store has: hash → name."""
    found = store.connection.execute("SELECT file_sha256, min(name) FROM source_file GROUP BY file_sha256").fetchall()
    return dict(found)


def samples_of_file(store: Connected, file_sha256: str) -> list[str]:
    """Name the samples that have readings of a file."""
    found = store.connection.execute(
        "SELECT DISTINCT sample_id FROM reading WHERE file_sha256 = $1 ORDER BY 1", [file_sha256]
    ).fetchall()
    return [str(name) for (name,) in found]
