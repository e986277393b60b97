"""`checks`: what must hold, and why."""

from __future__ import annotations

import click

from pipeline.commands.options import JSON
from pipeline.report.terminal.checks import check_text, list_all
from pipeline.visible import echo


@click.command
@click.argument("check_id", required=False)
@JSON
def command(check_id: str | None, as_json: bool) -> None:
    """List the checks, or explain one with its limits and source."""
    echo(check_text(check_id, as_json=as_json) if check_id else list_all(as_json=as_json))
