"""`control`: charts of the controls of the laboratory."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pipeline.bench.controls import CHART_GROUPS, control_charts, control_readings
from pipeline.commands.options import settings, table_output
from pipeline.errors import EXIT_CLEAN, EXIT_FINDINGS
from pipeline.report.terminal.control import charts_text
from pipeline.report.terminal.table_output import put_out
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings


@click.command
@click.option(
    "--by", "group", type=click.Choice(CHART_GROUPS), default="instrument", help="What has a chart [instrument]."
)
@settings
@table_output
def command(group: str, settings: Settings, wanted: TableOutput) -> None:
    """Draw the control charts of standards and blanks.

    Warning and action limits, run rules and drift, by instrument, method, operator or lot of reagent, and detection
    limits from blanks and spikes. "kettlestone picture control" draws them.

    \b
    kettlestone control
    kettlestone control --by operator --out charts.csv
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    charts = control_charts(control_readings(settings), group)
    echo(put_out(charts, wanted, lambda: charts_text(charts, group, settings.language)))
    raise SystemExit(EXIT_FINDINGS if charts["state"].isin(["out of control", "drifting"]).any() else EXIT_CLEAN)
