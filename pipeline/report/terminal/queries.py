"""Answers from the store as text or data: prepared queries and SQL over the views."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.report.terminal.table_output import plain_table, put_out
from pipeline.store.database import Store
from pipeline.store.questions import named_queries, query

if TYPE_CHECKING:
    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings


def prepared() -> str:
    """List the prepared queries with what they answer."""
    queries = named_queries()
    width = max(len(name) for name in queries)
    lines = [f"{name:<{width}}  {purpose}" for name, purpose in queries.items()]
    return "\n".join([*lines, "", "kettlestone query NAME answers one; kettlestone query 'SELECT …' your own."])


def query_text(settings: Settings, name_or_sql: str, wanted: TableOutput) -> str:
    """Answer a prepared query or SQL over the views.

    Parameters
    ----------
    settings : where the store is.
    name_or_sql : name of a prepared query, or SQL.
    wanted : format and file of the answer.

    Raises
    ------
    KettlestoneError : no store, no such query, or SQL that DuckDB refuses.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        found = query(store, name_or_sql)
    return put_out(
        found, wanted, lambda: plain_table(found, "No rows: the question was understood, and nothing fits it.")
    )
