"""`query`: ask the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pipeline.commands.options import settings, table_output
from pipeline.report.terminal.queries import explained, prepared, query_text
from pipeline.store.questions import MOST_ROWS, MOST_SECONDS, QueryScope
from pipeline.visible import echo

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings


@click.command
@click.argument("name_or_sql", required=False)
@click.option("--list", "listed", is_flag=True, help="List the prepared questions, or the columns of one.")
@click.option("--region", default="", help="Only of this region.")
@click.option("--client", default="", help="Only of this client.")
@click.option("--since", type=click.DateTime(["%Y-%m-%d"]), help="Only of samples from this day on.")
@click.option("--rows", type=click.IntRange(min=1), default=MOST_ROWS, help=f"The most rows [{MOST_ROWS:,}].")
@click.option(
    "--seconds", type=click.FloatRange(min=0.1), default=MOST_SECONDS, help=f"The most time [{MOST_SECONDS:g}]."
)
@settings
@table_output
def command(
    name_or_sql: str | None,
    since: datetime | None,
    region: str,
    client: str,
    rows: int,
    seconds: float,
    settings: Settings,
    wanted: TableOutput,
    *,
    listed: bool,
) -> None:
    """Ask the store: a prepared question, or SQL.

    Without NAME_OR_SQL the prepared questions are listed.

    \b
    kettlestone query source-changes --region North
    kettlestone query "SELECT site, ph FROM v_sample" --format parquet --out ph.parquet
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    if name_or_sql is None:
        echo(prepared())
    elif listed:
        echo(explained(name_or_sql))
    else:
        asked = QueryScope(region, client, since.date() if since else None, rows, seconds)
        echo(query_text(settings, name_or_sql, wanted, asked))
