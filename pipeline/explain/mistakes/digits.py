"""A lost or extra digit, and digits that changed places."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.mistakes.candidate import Candidate

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.explain.mistakes.candidate import Change
    from pipeline.explain.record import Record

_MOST_DROPS: Final = 60.0  # that anyone counts [CP]
_TENFOLD: Final = {"÷ 10": 0.1, "× 10": 10.0, "÷ 100": 0.01, "× 100": 100.0}
_SAME_FIGURE: Final = 1e-6


def _ten(row: int, factor: float) -> Change:
    """Add or lose a digit; of a drop count one that leaves a count people make."""

    def change(record: Record) -> dict[int, Floats]:
        count = record.written[row] * factor
        fits = np.isnan(record.step[row]) | ((count >= 1.0) & (count <= _MOST_DROPS) & (0.05 < factor < 20.0))  # noqa: PLR2004 -- one digit
        return {row: np.where(fits, record.amounts[row] * factor, np.nan)}

    return change


def tenfold(name: str, row: int) -> list[Candidate]:
    """Say that a digit was lost or added, or the decimal sign moved."""
    return [
        Candidate(
            "factor-ten",
            name,
            "",
            detail,
            _ten(row, factor),
            weight=1.0 if detail[-1] == "0" and "100" not in detail else 0.2,
            row=row,
        )
        for detail, factor in _TENFOLD.items()
    ]


def transposed(name: str, row: int) -> list[Candidate]:
    """Two neighbouring digits changed places; the first, second or third pair of the figure."""

    def change(pair: int) -> Change:
        def swap(record: Record) -> dict[int, Floats]:
            with np.errstate(divide="ignore", invalid="ignore"):
                figure = np.abs(record.written[row])
                places = _decimals(figure)
                whole = np.round(figure * 10.0**places)
                digits = np.floor(np.log10(np.where(whole > 0, whole, np.nan))) + 1.0
                low = 10.0 ** (digits - pair - 2)
                first, second = np.floor(whole / (low * 10)) % 10, np.floor(whole / low) % 10
                other = whole + (second - first) * low * 9.0
                fits = (low >= 1.0) & (first != second) & ~((pair == 0) & (second == 0))
                return {row: np.where(fits, record.amounts[row] * other / whole, np.nan)}

        return swap

    return [
        Candidate("digits-transposed", name, "", f"digits {n + 1} and {n + 2}", change(n), row=row) for n in range(3)
    ]


def _decimals(figure: Floats) -> Floats:
    """Count the decimals a figure was written with, two at most."""
    one, two = (
        np.abs(figure - np.round(figure)) > _SAME_FIGURE,
        np.abs(figure * 10 - np.round(figure * 10)) > 10 * _SAME_FIGURE,
    )
    return np.where(two, 2.0, np.where(one, 1.0, 0.0))
