"""`decide`: a person's answers to findings."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from pipeline.commands.options import BY, JSON, settings
from pipeline.deciding import ACTIONS, Answer, decide_all
from pipeline.deciding.answer import DATE_ORDERS, REACHES
from pipeline.deciding.selection import Selected, select
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.one_file import headings_in
from pipeline.report.terminal.decisions import outcomes_json, outcomes_text
from pipeline.store.reach import DATE_QUESTION
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("words", nargs=-1, required=True, metavar="[NUMBER]... ACTION")
@BY
@click.option("--why", required=True, help="Why.")
@click.option("--sample", help="All open findings of this sample, in place of numbers.")
@click.option("--check", help="All open findings of this check.")
@click.option("--file", "file_name", help="All open findings of this file.")
@click.option("--value", type=float, help="correct: the right value.")
@click.option("--unit", default="", help="correct: the unit of the value, or of the number that stands there.")
@click.option("--basis", default="", help="correct: what it counts, for example CaCO3.")
@click.option("--factor", type=float, help="correct: what the number is to be multiplied by.")
@click.option("--analyte", default="", help="correct, exchange: which quantity, where the finding is about several.")
@click.option("--date", default="", help="correct: the day of sampling.")
@click.option(
    "--date-order",
    type=click.Choice(DATE_ORDERS),
    help="correct: what comes first in the dates of the file, 03/04/2026.",
)
@click.option("--stage", default="", help="correct: raw, treated, machine_inlet, permeate, bottled or hot_outlet.")
@click.option("--site", default="", help='correct: the site, as "client / site".')
@click.option("--point", default="", help="correct: the sampling point.")
@click.option("--for", "reach", type=click.Choice(REACHES), help="correct: of the reading, its column or its file.")
@click.option("--cause", type=int, help="take: the rank of the cause [1].")
@click.option("--with", "other", default="", help="exchange: the other sample, or the other quantity.")
@click.option("--report", default="", help="use-report: the file that counts [the latest].")
@settings
@JSON
def command(
    words: tuple[str, ...],
    sample: str | None,
    check: str | None,
    file_name: str | None,
    reach: str | None,
    date_order: str | None,
    settings: Settings,
    as_json: bool,
    **answer: Any,  # noqa: ANN401 - the options of an answer, by name
) -> None:
    """Answer findings; who and why are kept with the answer.

    ACTION is accept, reject, repeat, correct, take, exchange, use-report or reopen. Nothing that was read is changed.
    An answer to a whole column or file reaches every sample of it.

    \b
    kettlestone decide 17 accept --why "repeated, same count"
    kettlestone decide 17 18 21 take --why "typed from the sheet"      the likeliest cause; --cause 2 another
    kettlestone decide 18 correct --why "kit reads °f" --value 14 --unit °f
    kettlestone decide 4 correct --why "asked the laboratory" --unit mg/L --basis HCO3
    kettlestone decide 9 correct --why "behind the filter" --stage treated
    kettlestone decide 3 correct --why "an American sheet" --date-order month-first     once for the file
    kettlestone decide 6 exchange --why "labels swapped at the sink"
    kettlestone decide 7 use-report --why "the laboratory corrected it"
    kettlestone decide --check copied-reading accept --why "two steady waters"
    kettlestone decide 17 reopen --why "wrong sample"
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    numbers, action = _read(words)
    if date_order and not numbers:
        check = check or DATE_QUESTION
    chosen = select(settings, Selected(numbers, sample, check, file_name), action)
    said = {"by": settings.by or "", "reach": reach or "", "date_order": date_order or "", **answer}
    answers = [Answer(number, action, **said) for number in chosen]
    outcomes = decide_all(settings, answers, datetime.now(UTC), headings_in)
    echo(outcomes_json(outcomes, alone=len(numbers) == 1) if as_json else outcomes_text(outcomes, settings.language))


def _read(words: tuple[str, ...]) -> tuple[list[int], str]:
    """Part the numbers of findings from the action, which may stand before or behind them."""
    actions = [word for word in words if not word.isdigit()]
    if len(actions) == 1:
        return [int(word) for word in words if word.isdigit()], actions[0]
    fault = "no action" if not actions else f"several actions: {', '.join(actions)}"
    raise KettlestoneError(f"the answer has {fault}.\n  {UNCHANGED}\n  Say one of {', '.join(ACTIONS)}.")
