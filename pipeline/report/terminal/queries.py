"""Answers from the store as text or data: prepared queries and SQL over the views."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import pandas as pd

from pipeline.report.terminal.table_output import plain_table, put_out
from pipeline.report.wording import left_out_text
from pipeline.store.database import Store
from pipeline.store.observations import Chosen, left_out, observations
from pipeline.store.questions import QueryScope, answer_columns, named_queries, query

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings


def prepared() -> str:
    """List the prepared queries with what they answer."""
    queries = named_queries()
    width = max(len(name) for name in queries)
    lines = [f"{name:<{width}}  {purpose}" for name, purpose in queries.items()]
    more = "kettlestone query NAME answers one, with --list its columns; kettlestone query 'SELECT …' your own."
    return "\n".join([*lines, "", more])


def explained(name: str) -> str:
    """Say what a prepared query answers and what its columns hold."""
    columns = answer_columns(name)
    width = max((len(column) for column in columns), default=0)
    return "\n".join([named_queries()[name], "", *(f"  {column:<{width}}  {what}" for column, what in columns.items())])


def query_text(settings: Settings, name_or_sql: str, wanted: TableOutput, asked: QueryScope) -> str:
    """Answer a prepared query or SQL over the views.

    Parameters
    ----------
    settings : where the store is.
    name_or_sql : name of a prepared query, or SQL.
    wanted : format and file of the answer.
    asked : which samples it is asked of, and its limits.

    Raises
    ------
    KettlestoneError : no store, no such query, or SQL that DuckDB refuses.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        found = query(store, name_or_sql, asked=asked, given=tables_of_changes(asked))
    why = _why_empty(settings, asked) if found.empty else ""
    text = put_out(found, wanted, lambda: plain_table(found, why))
    if found.attrs.get("cut"):
        text += f"\nCut at {asked.most_rows:,} rows; --rows allows more."
    return text


def tables_of_changes(asked: QueryScope) -> dict[str, Callable[[Store], pd.DataFrame]]:
    """Give the tables of changes that a question may name; each works out no more than it holds."""
    kinds: dict[str, tuple[str, ...]] = {
        "source_change": ("source-change",), "exhaustion": ("exhaustion",), "water_change": (),
    }  # fmt: skip
    return {name: partial(_water_changes, asked=asked, kinds=wanted) for name, wanted in kinds.items()}


def _water_changes(store: Store, asked: QueryScope, kinds: tuple[str, ...]) -> pd.DataFrame:
    """Give the changes that trends find, one row for each and quantity."""
    from pipeline.trends.answer import found_changes  # noqa: PLC0415 - few questions need it
    from pipeline.trends.panel import day_of  # noqa: PLC0415 - same
    from pipeline.trends.source import TOGETHER  # noqa: PLC0415 - same

    # The whole past is needed to tell a change from a season; only then those from a day on are taken.
    chosen = Chosen(TOGETHER, region=asked.region, client=asked.client)
    changes = found_changes(observations(store, chosen), kinds)
    columns = ["kind", "client", "site", "sampling_point", "stage", "analyte", "earliest", "latest", "before", "after"]
    changes = changes.reindex(columns=[*columns, "evidence"])
    days = {name: pd.to_datetime([day_of(year) for year in changes[name]]) for name in ("earliest", "latest")}
    changes = changes.assign(**days)
    return changes[changes["latest"] >= pd.Timestamp(asked.since)] if asked.since else changes


def _why_empty(settings: Settings, asked: QueryScope) -> str:
    """Say why there is no row: what was asked for, and which samples do not count."""
    narrowed = [f"--{name} {getattr(asked, name)}" for name in ("region", "client", "since") if getattr(asked, name)]
    text = "No rows: the question was understood, and nothing fits it"
    text += f" and {' '.join(narrowed)}." if narrowed else "."
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:  # the whole of it again
        out = left_out(store, Chosen(stages=("raw",)))
    return f"{text}\nMost questions leave out: {left_out_text(out).removeprefix('Left out: ')}" if out else text
