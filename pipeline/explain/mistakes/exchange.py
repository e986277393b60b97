"""Columns of a table that were exchanged or shifted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.mistakes.candidate import Candidate
from pipeline.explain.record import ROW

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.explain.mistakes.candidate import Change, Where
    from pipeline.explain.record import Record

_SWAPS: Final = (
    ("total_hardness", "alkalinity"),
    ("conductivity", "tds"),
    ("chloride", "sulfate"),
    ("sodium", "calcium"),
    ("total_hardness", "calcium_hardness"),
    ("calcium", "magnesium"),
    ("sodium", "potassium"),
    ("chloride", "nitrate"),
    ("sulfate", "nitrate"),
    ("magnesium", "sodium"),
    ("sodium", "chloride"),
    ("magnesium", "potassium"),
    ("conductivity", "total_hardness"),
    ("bicarbonate", "sulfate"),
    ("calcium", "potassium"),
    ("bicarbonate", "chloride"),
)
_CHLORINE: Final = ("free_chlorine", "total_chlorine")
_COPIES: Final = (  # the column with the number of another, and that one
    ("total_hardness", "calcium"),
    ("total_hardness", "alkalinity"),
    ("alkalinity", "total_hardness"),
    ("alkalinity", "bicarbonate"),
    ("bicarbonate", "alkalinity"),
    ("calcium", "total_hardness"),
    ("magnesium", "calcium"),
    ("sulfate", "chloride"),
    ("chloride", "sulfate"),
    ("sodium", "potassium"),
)
_RARER: Final = 0.3  # of the columns the trade exchanges again and again, the first five; the others are rarer [CP]
_USUAL_SWAPS: Final = 5  # fmt: skip
_LINES: Final = (("calcium", "magnesium", "sodium", "potassium"), ("chloride", "sulfate", "nitrate"))


def _swap(names: tuple[str, ...], moved: tuple[str, ...]) -> Change:
    """Give each quantity the number written under another; the number keeps the unit of its heading."""
    pairs = tuple(zip((ROW[name] for name in names), (ROW[name] for name in moved), strict=True))

    def change(record: Record) -> dict[int, Floats]:
        return {to: record.amounts[source] / record.unit_worth[source] * record.unit_worth[to] for to, source in pairs}

    return change


def copied_columns() -> list[Candidate]:
    """Say that the number of one column was typed in another as well."""

    def same(one: str, other: str) -> Where:
        def where(record: Record) -> Flags:
            counted = ~np.isnan(record.step[ROW[one]]) | ~np.isnan(
                record.step[ROW[other]]
            )  # counts are equal by chance
            return np.asarray((record.written[ROW[one]] == record.written[ROW[other]]) & ~counted)

        return where

    return [
        Candidate(
            "copied-reading",
            one,
            other,
            "the number of the other column",
            None,
            loosened=((ROW[one], 1.5),),
            where=same(one, other),
            seen=True,
            row=ROW[one],
        )
        for one, other in _COPIES
    ]


def exchanged_columns() -> list[Candidate]:
    """Say that two columns changed places, or several moved by one."""
    pairs = [
        Candidate(
            "swapped-analytes",
            one,
            other,
            "",
            _swap((one, other), (other, one)),
            weight=1.0 if place < _USUAL_SWAPS else _RARER,
            row=ROW[one],
        )
        for place, (one, other) in enumerate(_SWAPS)
    ]
    shifted = [
        Candidate(
            "swapped-analytes",
            line[0],
            line[-1],
            f"columns shifted by one {words}",
            _swap(line, order),
            weight=_RARER,
            row=ROW[line[0]],
        )
        for line in _LINES
        for words, order in (("to the right", (*line[1:], line[0])), ("to the left", (line[-1], *line[:-1])))
    ]
    one, other = _CHLORINE
    strips = Candidate("swapped-analytes", one, other, "", _swap(_CHLORINE, _CHLORINE[::-1]), seen=True, row=ROW[one])
    return [*pairs, *shifted, strips]
