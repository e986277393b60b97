"""`field-sheet`: a page for a phone without network."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.due import last_day
from pipeline.commands.options import LANGUAGE, settings
from pipeline.report.field_sheet import write_field_sheet
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("sites", nargs=-1)
@click.option("--due", is_flag=True, help="The sites of the round; see kettlestone due.")
@click.option("--until", default="", help="Last day of that round, YYYY-MM-DD [30 days from today].")
@click.option("--out", "target", type=click.Path(path_type=Path), default=Path("sheet.html"), help="File [sheet.html].")
@click.option("--kit", help="Whose drops are counted [the setting kit].")
@LANGUAGE
@settings
def command(sites: tuple[str, ...], due: bool, until: str, target: Path, settings: Settings) -> None:
    """Write a page to fill in at SITES, on a phone or on paper.

    It works without network, says at once what cannot be, keeps what was typed, and hands it over as a CSV for
    kettlestone intake.

    \b
    kettlestone field-sheet TF-1 SB-1 --out tuesday.html
    kettlestone field-sheet --due --out round.html
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    today = datetime.now(UTC).date()
    end = last_day(until, today) if due or until else None
    echo(write_field_sheet(settings, sites, end, today, target, settings.language))
