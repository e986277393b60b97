"""Answers from the store as text or data: prepared queries and SQL over the views."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.store.database import Store
from pipeline.store.questions import named_queries, query

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.settings import Settings

_SHOWN: Final = 200


def prepared() -> str:
    """List the prepared queries with what they answer."""
    queries = named_queries()
    width = max(len(name) for name in queries)
    lines = [f"{name:<{width}}  {purpose}" for name, purpose in queries.items()]
    return "\n".join([*lines, "", "kettlestone query NAME answers one; kettlestone query 'SELECT …' your own."])


def query_text(settings: Settings, name_or_sql: str, *, as_json: bool) -> str:
    """Answer a prepared query or SQL over the views.

    Parameters
    ----------
    settings : where the store is.
    name_or_sql : name of a prepared query, or SQL.
    as_json : records for other programs instead of a table.

    Raises
    ------
    KettlestoneError : no store, no such query, or SQL that DuckDB refuses.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        found = query(store, name_or_sql)
    if as_json:
        return str(found.to_json(orient="records", date_format="iso", force_ascii=False))
    return _table(found)


def _table(found: pd.DataFrame) -> str:
    if found.empty:
        return "No rows."
    text = found.head(_SHOWN).to_string(index=False, na_rep="", float_format=lambda number: f"{number:g}")
    rest = len(found) - _SHOWN
    return f"{text}\n{rest} more rows; --json prints all of them." if rest > 0 else text
