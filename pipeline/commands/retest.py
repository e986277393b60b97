"""`retest`: does the treatment work."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import JSON, LANGUAGE, settings
from pipeline.report.terminal.retest import retest
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("site")
@LANGUAGE
@settings
@JSON
def command(site: str, settings: Settings, as_json: bool) -> None:
    """Say whether the treatment of a SITE does its work.

    The last pair of samples against the prediction, the history, and the next test.

    \b
    kettlestone retest TF-1
    kettlestone retest "Client / Site" --json
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    found = retest(settings, site, datetime.now(UTC).date(), as_json=as_json, language=settings.language)
    echo(found.text)
    raise SystemExit(found.exit_code)
