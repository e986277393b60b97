"""The question for a column that waits, with what the file itself says about the answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.asking.answers import heading_of
from pipeline.asking.open_units import WORTH
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.asking.evidence import Agreement, Verdict

_WORTH_TO_SAY: Final = "KIT or NUMBER UNIT per drop at N mL"
_SHOWN: Final = 3  # units
_TOLD: Final = 2  # relations
_MANY: Final = 20  # samples from which agreement of one unit alone is almost certain


def answer_text(verdict: Verdict, unit: str) -> str:
    """Write the option that answers for a column."""
    name = (
        verdict.kind.analyte.replace("_", " ") if verdict.kind.analyte in ANALYTES else heading_of(verdict.kind.column)
    )
    return f'--unit "{name}={unit}"'


def evidence_text(verdict: Verdict, *, option: bool = True) -> str:
    """Say which units fit, by which numbers and how surely, and with ``option`` how to answer.

    Example: "mg/L fits (likely): hardness 250 beside 249 from calcium and magnesium (2 samples, 0.3 % apart)."
    """
    said, unit = _said(verdict)
    return f"{said} Answer with {answer_text(verdict, unit)}." if option else said


def _said(verdict: Verdict) -> tuple[str, str]:
    """Word what the file says, and the unit to answer with."""
    if verdict.frozen and verdict.proved:
        as_ice = " or ".join(unit.text for unit in verdict.frozen)
        return f"{verdict.proved}, since in {as_ice} the water would not be liquid.", verdict.proved
    if verdict.tested:
        fitting = [_fits(verdict, number) for number in range(min(_SHOWN, len(verdict.fitting)))]
        return f"{'; '.join(fitting)}.", verdict.fitting[0].text
    unknown = _WORTH_TO_SAY if verdict.kind.waits_for == WORTH else "UNIT"
    if verdict.usual:
        named = " or ".join(unit.text for unit in verdict.usual[:_SHOWN])
        return f"No other reading of the file decides it; by the usual size of waters {named}.", unknown
    return "Nothing in the file decides it.", unknown


def _fits(verdict: Verdict, place: int) -> str:
    unit = verdict.fitting[place]
    found = verdict.agreements.get(unit.text, [])
    sharp = [one for one in found if one.comparison.proves] or found
    if place:
        apart = max((one.gap for one in sharp), default=0.0)
        return f"{unit.text} fits as well ({100 * apart:.2g} % apart)"
    return f"{unit.text} fits ({_sureness(verdict, sharp)}): {', '.join(map(_numbers, sharp[:_TOLD]))}"


def _sureness(verdict: Verdict, found: list[Agreement]) -> str:
    if verdict.proved:
        return "proved"
    if not any(one.comparison.proves for one in found):
        return "only what is usual speaks for it"
    if len(verdict.fitting) > 1:
        return "not the only one"
    return "almost certain" if min(one.rows for one in found) >= _MANY else "likely"


def _numbers(found: Agreement) -> str:
    samples = "1 sample" if found.rows == 1 else f"{found.rows:,} samples"
    apart = f", {100 * found.gap:.2g} % apart" if found.comparison.proves else ""
    return f"{found.words} ({samples}{apart})"
