"""`due`: the round."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import LANGUAGE, settings, table_output
from pipeline.errors import EXIT_CLEAN, EXIT_FINDINGS, UNCHANGED, KettlestoneError
from pipeline.report.terminal.round import due_table, due_text
from pipeline.report.terminal.table_output import put_out
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings

_USUAL = timedelta(days=30)


@click.command
@click.option("--until", default="", help="Last day of the round, YYYY-MM-DD [30 days from today].")
@LANGUAGE
@settings
@table_output
def command(until: str, settings: Settings, wanted: TableOutput) -> None:
    """List the sites to visit, by date, and why.

    A test is due, the medium is used up, a repeat is wanted, or the raw water was never tested.

    \b
    kettlestone due
    kettlestone due --until 2026-12-31 --out round.csv
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    today = datetime.now(UTC).date()
    found = due_table(settings, last_day(until, today), today, settings.language)
    echo(put_out(found, wanted, lambda: due_text(found, last_day(until, today))))
    raise SystemExit(EXIT_FINDINGS if len(found) else EXIT_CLEAN)


def last_day(until: str, today: date) -> date:
    """Read the last day of a round.

    Raises
    ------
    KettlestoneError : no day.
    """
    if not until.strip():
        return today + _USUAL
    try:
        return date.fromisoformat(until.strip())
    except ValueError as error:
        raise KettlestoneError(f'--until "{until}": write the day as {today:%Y-%m-%d}. {UNCHANGED}') from error
