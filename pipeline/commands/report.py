"""`report`: the page for the client."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import LANGUAGE, settings
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.report.client.answer import Asked, write_report, write_reports
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("site", required=False)
@click.option("--all", "every", is_flag=True, help="A page for every site that was tested.")
@click.option("--batch", "batch_id", help="A page for every site with samples in this batch.")
@LANGUAGE
@click.option("--unit", default="", help="Unit of hardness and alkalinity in place of the country's, e.g. °dH.")
@click.option(
    "--out",
    "page",
    type=click.Path(path_type=Path),
    help="FILE.html or FILE.pdf; with --all or --batch a folder [outputs].",
)
@click.option("--pdf", "as_pdf", is_flag=True, help="With --all or --batch: write PDF.")
@settings
def command(
    site: str | None,
    every: bool,
    batch_id: str | None,
    unit: str,
    page: Path | None,
    as_pdf: bool,
    settings: Settings,
) -> None:
    """Write the page for the client of a SITE.

    One sheet to read, print or send, called by client, site and day.

    \b
    kettlestone report TF-1 --language de
    kettlestone report "Client / Site" --unit mg/L --out page.pdf
    kettlestone report --all --out pages
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    asked, today = Asked(language=settings.language, unit=unit), datetime.now(UTC).date()
    if (site is not None) + every + (batch_id is not None) != 1:
        raise KettlestoneError(f"name one SITE, or give --all or --batch ID. {UNCHANGED}")
    if site is not None:
        answers = [write_report(settings, site, asked, today, page)]
    else:
        ending = ".pdf" if as_pdf else ".html"
        answers = write_reports(settings, batch_id, asked, today, page or settings.out, ending)
    for answer in answers:
        if answer.text:
            echo(answer.text)
        if answer.trouble:
            echo(f"kettlestone: {answer.trouble}", err=True)
    raise SystemExit(max(answer.exit_code for answer in answers))
