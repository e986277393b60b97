"""`findings`: what waits for an answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from pipeline.commands.options import settings, table_output
from pipeline.errors import EXIT_CLEAN, EXIT_FINDINGS
from pipeline.report.terminal.findings import WAITING_FOR, FindingsWanted, findings_text, list_findings
from pipeline.report.terminal.table_output import put_out
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings


@click.command
@click.argument("sample", required=False)
@click.option("--check", "check_id", help="Only of this check.")
@click.option("--batch", "batch_id", help="Only of this batch.")
@click.option("--file", "file_name", help="Only of this file.")
@click.option("--all", "everything", is_flag=True, help="Notes and settled findings too.")
@click.option("--waiting-for", type=click.Choice(WAITING_FOR), help="Only what waits for a repeat, or for an answer.")
@click.option("--by-client", is_flag=True, help="In the order of clients and sites: who is to be called.")
@settings
@table_output
def command(by_client: bool, settings: Settings, wanted: TableOutput, **which: Any) -> None:  # noqa: ANN401 - by name
    """List the findings that wait for an answer.

    Of all samples, or of SAMPLE, each with its number.

    \b
    kettlestone findings
    kettlestone findings QL-10 --all
    kettlestone findings --by-client
    kettlestone findings --waiting-for repeat --out repeats.csv
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    asked = FindingsWanted(**which)
    found = list_findings(settings, asked, by_client=by_client)
    echo(put_out(found, wanted, lambda: findings_text(found, asked, by_client=by_client, language=settings.language)))
    raise SystemExit(EXIT_FINDINGS if found["waits_for"].ne("").any() else EXIT_CLEAN)
