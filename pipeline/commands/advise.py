"""`advise`: what to do about the water of a site."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import JSON, LANGUAGE, LITRES, settings
from pipeline.report.client.answer import Asked, advise_on
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("site")
@click.option("--machine", default="", help="Machine in place of the register's, for example: dual boiler.")
@click.option("--profile", default="", help="Water aimed at [European water chart 2016].")
@LITRES
@LANGUAGE
@settings
@JSON
def command(
    site: str,
    machine: str,
    profile: str,
    litres_per_day: float | None,
    settings: Settings,
    as_json: bool,
) -> None:
    """Say what to do about the water of a SITE.

    SITE is a site, "client / site", or the label of a sample. The advice is kept in the store.

    \b
    kettlestone advise TF-1
    kettlestone advise "Client / Site" --machine "dual boiler" --litres 60 --json
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    asked = Asked(machine=machine, profile=profile, litres_per_day=litres_per_day, language=settings.language)
    answer = advise_on(settings, site, asked, datetime.now(UTC).date(), as_json=as_json)
    echo(answer.text)
    if answer.trouble:
        echo(f"kettlestone: {answer.trouble}", err=True)
    raise SystemExit(answer.exit_code)
