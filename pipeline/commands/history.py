"""`history`: what happened, and who decided it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import settings, table_output
from pipeline.report.terminal.history import events_text, list_events
from pipeline.report.terminal.table_output import put_out
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings


@click.command
@click.argument("sample", required=False)
@click.option("--since", help="Not before this day: 2025-03-14, today or yesterday.")
@settings
@table_output
def command(sample: str | None, since: str | None, settings: Settings, wanted: TableOutput) -> None:
    """Tell what happened, and who decided it and why.

    To SAMPLE, or to all: when it was taken in from which line, what was found, who answered what, what was corrected,
    and what was taken back.

    \b
    kettlestone history QL-10
    kettlestone history --since yesterday
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    found = list_events(settings, sample, since, datetime.now(UTC))
    echo(put_out(found, wanted, lambda: events_text(found, sample, since, settings.time_zone, settings.language)))
