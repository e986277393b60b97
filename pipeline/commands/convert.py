"""`convert`: one unit into another."""

from __future__ import annotations

import click

from pipeline.report.terminal.assess import convert_text


@click.command
@click.argument("value", type=float)
@click.argument("unit_from")
@click.argument("unit_to")
@click.option("--of", "analyte", default="hardness", help="The quantity [hardness]: alkalinity, nitrate, ec, …")
def command(value: float, unit_from: str, unit_to: str, analyte: str) -> None:
    """Convert a VALUE from one unit into another.

    \b
    kettlestone convert 7 °dH mg/L --of hardness
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    click.echo(convert_text(value, unit_from, unit_to, analyte))
