"""Mistakes with a drop kit: the volume of the sample and the count."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.mistakes.candidate import Candidate, as_received
from pipeline.explain.record import ROW

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.explain.mistakes.candidate import Change
    from pipeline.explain.record import Record


_HALF: Final = "half the sample volume was used"
_TWICE: Final = "twice the sample volume was used"
_TYPED: Final = 0.15  # of a value of which no kit is known, against a count: it may be of a laboratory [CP]


def kit_mistakes(name: str, row: int) -> list[Candidate]:
    """Volume and count of a drop kit."""

    def volume(factor: float, *, counted: bool) -> Change:
        return lambda record: {row: np.where(record.counted[row] == counted, record.amounts[row] * factor, np.nan)}

    def recorded(power: float) -> Change:
        def change(record: Record) -> dict[int, Floats]:
            value = record.amounts[row] * record.volume[row] ** power
            return {row: np.where(record.counted[row] & ~as_received(value, record.amounts[row]), value, np.nan)}

        return change

    def drops(number: int) -> Change:
        def change(record: Record) -> dict[int, Floats]:
            value = record.amounts[row] + number * record.step[row]
            return {row: np.where(value > 0.2 * record.step[row], value, np.nan)}

        return change

    volumes = [
        *(
            Candidate("volume-not-applied", name, "", detail, volume(factor, counted=counted), weight=weight, row=row)
            for detail, factor, counted, weight in (
                (_HALF, 2.0, True, 1.0),
                (_TWICE, 0.5, True, 0.7),
                (_HALF, 2.0, False, _TYPED),
                (_TWICE, 0.5, False, _TYPED),
            )
        ),
        Candidate(
            "volume-not-applied", name, "", "the recorded volume was not applied", recorded(1.0), weight=3.0, row=row
        ),
        Candidate(
            "volume-not-applied", name, "", "the recorded volume was applied twice", recorded(-1.0), weight=0.5, row=row
        ),
    ]
    counts = [
        Candidate("miscount", name, "", detail, drops(number), weight=weight, row=row)
        for detail, number, weight in (
            ("first drop not counted (+1 drop)", 1, 1.0),
            ("counted past the end point (−1 drop)", -1, 0.6),
            ("+2 drops", 2, 0.2),
            ("−2 drops", -2, 0.2),
        )
    ]
    return volumes + counts


def counting_habit() -> Candidate:
    """Who does not count the first drop does not count it in either test."""
    rows = ROW["total_hardness"], ROW["alkalinity"]

    def change(record: Record) -> dict[int, Floats]:
        return {row: record.amounts[row] + record.step[row] for row in rows}

    detail = "first drop not counted, in both tests (+1 drop)"
    return Candidate("miscount", "total_hardness", "alkalinity", detail, change, weight=1.0, row=rows[0])


def one_vial() -> list[Candidate]:
    """Who fills one vial for both tests gets both wrong by the same factor."""
    rows = ROW["total_hardness"], ROW["alkalinity"]

    def volume(factor: float, *, counted: bool) -> Change:
        return lambda record: {
            row: np.where(record.counted[row] == counted, record.amounts[row] * factor, np.nan) for row in rows
        }

    return [
        Candidate(
            "volume-not-applied",
            "total_hardness",
            "alkalinity",
            f"{words}, in both tests",
            volume(factor, counted=counted),
            weight=weight,
            row=rows[0],
        )
        for words, factor in ((_HALF, 2.0), (_TWICE, 0.5))
        for counted, weight in ((True, 0.5), (False, _TYPED))
    ]
