"""What reads and writes the tables of a store needs no more of it than its open connection."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import duckdb


class Connected(Protocol):
    """An open store, whoever opened it."""

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        """Return the open connection."""
