"""`query`: ask the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pipeline.commands.options import settings, table_output
from pipeline.report.terminal.queries import prepared, query_text
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings


@click.command
@click.argument("name_or_sql", required=False)
@settings
@table_output
def command(name_or_sql: str | None, settings: Settings, wanted: TableOutput) -> None:
    """Ask the store: a prepared question, or SQL.

    Without NAME_OR_SQL the prepared questions are listed.
    """
    echo(prepared() if name_or_sql is None else query_text(settings, name_or_sql, wanted))
