"""`explain`: what most likely happened to a sample."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import JSON, settings
from pipeline.errors import EXIT_CLEAN, EXIT_FINDINGS
from pipeline.report.terminal.explain import show_why, why
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("sample")
@settings
@JSON
def command(sample: str, settings: Settings, as_json: bool) -> None:
    """Say what most likely happened to a SAMPLE.

    The single mistake that explains it, with its numbers.

    \b
    kettlestone explain QL-10
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    answer = why(settings, sample, datetime.now(UTC))
    if as_json:
        echo(answer.as_json())
    else:
        show_why(answer)
    raise SystemExit(EXIT_FINDINGS if answer.something else EXIT_CLEAN)
