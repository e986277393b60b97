"""`findings`: what waits for an answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pipeline.commands.options import JSON, settings
from pipeline.errors import EXIT_CLEAN, EXIT_FINDINGS
from pipeline.report.terminal.findings import findings_json as to_json
from pipeline.report.terminal.findings import list_findings, show_findings
from schemas.columns import OPEN

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("sample", required=False)
@click.option("--check", "check_id", help="Only of this check.")
@click.option("--batch", "batch_id", help="Only of this batch.")
@click.option("--all", "everything", is_flag=True, help="Notes and settled findings too.")
@settings
@JSON
def command(
    sample: str | None,
    check_id: str | None,
    batch_id: str | None,
    everything: bool,
    settings: Settings,
    as_json: bool,
) -> None:
    """List the findings that wait for an answer.

    Of all samples, or of SAMPLE, each with its number.

    \b
    kettlestone findings
    kettlestone findings KD-014 --all
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    found = list_findings(settings, sample, check_id, batch_id, everything=everything)
    if as_json:
        click.echo(to_json(found))
    else:
        show_findings(found)
    raise SystemExit(EXIT_FINDINGS if found["current_severity"].isin(OPEN).any() else EXIT_CLEAN)
