"""`decide`: a person's answer to a finding."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from pipeline.commands.options import JSON, settings
from pipeline.deciding import ACTIONS, Answer, decide
from pipeline.report.terminal.findings import outcome_json, outcome_text

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("finding", type=int)
@click.argument("action", type=click.Choice(ACTIONS))
@click.option("--by", required=True, help="Who decides.")
@click.option("--why", required=True, help="Why.")
@click.option("--value", type=float, help="The right value; only with correct.")
@click.option("--unit", default="", help="Its unit, for example °dH.")
@click.option("--basis", default="", help="What it counts, for example CaCO3.")
@click.option("--analyte", default="", help="Which quantity, where the finding is about several.")
@settings
@JSON
def command(
    finding: int,
    action: str,
    settings: Settings,
    as_json: bool,
    **answer: Any,  # noqa: ANN401 - the options of an answer, by name
) -> None:
    """Answer a FINDING; who and why are kept with the answer.

    Nothing that was read is changed.

    \b
    kettlestone decide 17 accept --by "A. Smith" --why "repeated, same count"
    kettlestone decide 18 correct --by "A. Smith" --why "kit reads °f" --value 14 --unit °f
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    outcome = decide(settings, Answer(finding, action, **answer), datetime.now(UTC))
    click.echo(outcome_json(outcome) if as_json else outcome_text(outcome))
