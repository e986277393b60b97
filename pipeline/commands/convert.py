"""`convert`: one unit into another."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pipeline.commands.options import settings
from pipeline.kits import COUNTED_IN_DROPS, named_kit
from pipeline.report.terminal.assess import convert_text, drops_text
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("value", type=float)
@click.argument("unit_from")
@click.argument("unit_to")
@click.option("--of", "analyte", default="hardness", help="The quantity [hardness]: alkalinity, nitrate, ec, …")
@click.option("--kit", help="Whose drops, where the first unit is drops; see kettlestone kit list [the setting kit].")
@click.option("--volume-used", type=float, help="Sample volume used, mL [what the kit is made for].")
@settings
def command(
    value: float, unit_from: str, unit_to: str, analyte: str, volume_used: float | None, settings: Settings
) -> None:
    """Convert a VALUE from one unit into another.

    \b
    kettlestone convert 7 °dH mg/L --of hardness
    kettlestone convert 9 drops mg/L --kit french-degree
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    if unit_from.casefold() in COUNTED_IN_DROPS:
        echo(drops_text(value, named_kit(settings.kit, settings.kits), volume_used, unit_to, analyte))
    else:
        echo(convert_text(value, unit_from, unit_to, analyte))
