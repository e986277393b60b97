"""What a person says to a finding, and whether it says enough and not too much."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from schemas.columns import ANALYTES

ACTIONS: Final = ("accept", "reject", "repeat", "correct", "take", "exchange", "use-report", "reopen")
READING, COLUMN, FILE = "reading", "column", "file"
REACHES: Final = (READING, COLUMN, FILE)
# What belongs to one action only: field of an answer → (its option, the action).
_OF_ACTION: Final = {
    **dict.fromkeys(
        ("value", "unit", "basis", "factor", "date", "stage", "site", "point", "reach", "date_order"), "correct"
    ),
    "cause": "take",
    "other": "exchange",
    "report": "use-report",
}
_OPTIONS: Final = {"reach": "for", "other": "with", "date_order": "date-order"}
DAY_FIRST, MONTH_FIRST = "day-first", "month-first"
DATE_ORDERS: Final = (DAY_FIRST, MONTH_FIRST)


@dataclass(frozen=True)
class Answer:
    """What a person says to a finding.

    Attributes
    ----------
    finding_id, action, by, why : the answer.
    value, unit, basis, factor : of a correction: the right value, or what the number that stands there counts.
    analyte : which quantity is corrected or exchanged, where the finding is about several.
    date, stage, site, point : facts of the sample that are corrected; texts as typed.
    date_order : of DATE_ORDERS: what comes first in the dates of the file.
    reach : `reading`, `column` or `file`: what a correction is of; "" as the finding asks.
    cause : rank of the cause to take; None the likeliest.
    other : sample or quantity to exchange with; "" the one the finding names.
    report : file or report that counts; "" the latest.
    """

    finding_id: int
    action: str
    by: str
    why: str
    value: float | None = None
    unit: str = ""
    basis: str = ""
    analyte: str = ""
    factor: float | None = None
    date: str = ""
    stage: str = ""
    site: str = ""
    point: str = ""
    date_order: str = ""
    reach: str = ""
    cause: int | None = None
    other: str = ""
    report: str = ""

    @property
    def facts(self) -> bool:
        """Tell whether a fact of the sample is corrected."""
        return bool(self.date or self.stage or self.site or self.point)

    @property
    def rereads(self) -> bool:
        """Tell whether numbers are corrected: a value, or what the numbers count."""
        return self.value is not None or self.factor is not None or bool(self.unit or self.basis)


def refuse_incomplete(answer: Answer) -> None:
    """Refuse an answer that says too little or too much.

    Raises
    ------
    KettlestoneError : what is missing, or does not belong there.
    """
    if answer.action not in ACTIONS:
        raise KettlestoneError(
            f'"{answer.action}" is no decision{did_you_mean(answer.action, ACTIONS)}\n  {UNCHANGED}\n'
            f"  Say one of {', '.join(ACTIONS)}."
        )
    for name, text in (("--by", answer.by), ("--why", answer.why)):
        if not text.strip():
            raise KettlestoneError(
                f"say who decides and why: {name} is empty.\n  {UNCHANGED}\n"
                '  Who decides may stand in the settings: by = "A. Smith".'
            )
    for name, action in _OF_ACTION.items():
        if getattr(answer, name) not in (None, "") and action != answer.action:
            raise KettlestoneError(
                f'--{_OPTIONS.get(name, name)} goes with "{action}" only, not with "{answer.action}".\n  {UNCHANGED}\n'
                f"  Say {action}, or leave it out."
            )
    if answer.action == "correct":
        _refuse_half_a_correction(answer)


def _refuse_half_a_correction(answer: Answer) -> None:
    if answer.date_order and answer.date_order not in DATE_ORDERS:
        raise KettlestoneError(f'--date-order "{answer.date_order}": say {" or ".join(DATE_ORDERS)}.\n  {UNCHANGED}')
    if answer.date_order and (answer.facts or answer.rereads):
        raise KettlestoneError(
            f"--date-order is of all dates of a file; nothing else goes with it.\n  {UNCHANGED}\n"
            "  Correct the rest with an answer of its own."
        )
    if not answer.facts and not answer.rereads and not answer.date_order:
        raise KettlestoneError(
            f"a correction needs its value, or what else is right: --value 14 --unit °dH, --unit, --basis, --factor, "
            f"--date, --date-order, --stage, --site or --point.\n  {UNCHANGED}"
        )
    if answer.value is not None and (answer.factor is not None or answer.reach not in ("", READING)):
        raise KettlestoneError(
            f"a value belongs to one reading; it goes with neither --factor nor --for {COLUMN} or {FILE}.\n"
            f"  {UNCHANGED}"
        )
    if answer.factor is not None and not answer.factor > 0:
        raise KettlestoneError(f"--factor {answer.factor:g}: a factor is above 0.\n  {UNCHANGED}")


def quantity_of(text: str) -> str:
    """Read the name of a quantity as typed.

    Raises
    ------
    KettlestoneError : there is none of that name.
    """
    named = text.strip().casefold().replace(" ", "_")
    if named in ANALYTES:
        return named
    raise KettlestoneError(
        f'"{text}" is not a known quantity{did_you_mean(named, ANALYTES)}\n  {UNCHANGED}\n'
        f"  Known: {', '.join(ANALYTES)}."
    )
