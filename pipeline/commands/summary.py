"""`summary`: the page of a batch with the answers in force."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import JSON, settings
from pipeline.errors import EXIT_CLEAN, EXIT_FINDINGS
from pipeline.report.terminal.summary import show_summary
from pipeline.stored_batch import rewrite
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("batch", default="latest")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the results [outputs].")
@settings
@JSON
def command(batch: str, settings: Settings, as_json: bool) -> None:
    """Write the summary of a BATCH again, with the answers in force.

    Without BATCH it is the last one that brought files. What was answered since is no longer on the page.

    \b
    kettlestone summary
    kettlestone summary 20260305T140709-ba78
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    written = rewrite(settings, batch)
    if as_json:
        echo(json.dumps(written.summary, ensure_ascii=False, default=str))
    else:
        show_summary(written.summary, written.folder)
    raise SystemExit(EXIT_CLEAN if written.summary["verdict"] == "ok" else EXIT_FINDINGS)
