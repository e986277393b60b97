"""`report`: the page for the client."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import LANGUAGE, settings
from pipeline.report.client.answer import Asked, write_report
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("site")
@LANGUAGE
@click.option("--unit", default="", help="Unit of hardness and alkalinity in place of the country's, e.g. °dH.")
@click.option("--out", "page", type=click.Path(path_type=Path), help="FILE.html or FILE.pdf [outputs/report-….html].")
@settings
def command(site: str, language: str, unit: str, page: Path | None, settings: Settings) -> None:
    """Write the page for the client of a SITE.

    One sheet to read, print or send.

    \b
    kettlestone report TF-1 --language de
    kettlestone report "Client / Site" --unit mg/L --out page.pdf
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    answer = write_report(settings, site, Asked(language=language, unit=unit), datetime.now(UTC).date(), page)
    echo(answer.text)
    if answer.trouble:
        echo(f"kettlestone: {answer.trouble}", err=True)
    raise SystemExit(answer.exit_code)
