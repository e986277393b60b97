"""Two mistakes in one record, and decimal signs lost in several numbers of a row."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Final

from pipeline.explain.mistakes.candidate import Candidate

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.arrays import Floats
    from pipeline.explain.record import Record

TWO: Final = "two-mistakes"  # told as the first, with the other beside it
_LOST: Final = "÷ 10"
_DETAILS: Final = {  # what is weighed in pairs: the commonest form of each mistake of a report
    "factor-ten": ("÷ 10", "× 10"),
    "wrong-basis": ("as CaCO3", "as HCO3", "as N", "as S"),
    "wrong-unit": ("mS/cm", "mS/m"),
}


def two_mistakes(singles: Iterable[Candidate], names: tuple[str, ...]) -> list[Candidate]:
    """Pair the commonest mistakes of different readings.

    Parameters
    ----------
    singles : candidates of single readings.
    names : the readings that are looked at.
    """
    chosen = [
        one for one in singles if one.analyte in names and one.detail in _DETAILS.get(one.mistake, ()) and not one.other
    ]
    pairs = [(one, two) for one, two in combinations(chosen, 2) if one.row != two.row]
    lost = [one for one in chosen if one.detail == _LOST]
    return [_together(parts) for parts in (*pairs, *combinations(lost, 3))]


def decimals_lost(one: Candidate) -> bool:
    """Tell whether a candidate says that several numbers of a row lost their decimal signs: one cause, one mistake."""
    return len(one.parts) > 1 and all(part.detail == _LOST for part in one.parts)


def _together(parts: tuple[Candidate, ...]) -> Candidate:
    first, second, *_ = parts

    def change(record: Record) -> dict[int, Floats]:
        changed: dict[int, Floats] = {}
        for part in parts:
            changed |= part.change(record) if part.change else {}
        return changed

    rest = (f"{part.analyte.replace('_', ' ')} {part.detail}" for part in parts[1:])
    detail = ", and ".join((first.detail, *rest))
    return Candidate(TWO, first.analyte, second.analyte, detail, change, row=first.row, parts=parts)
