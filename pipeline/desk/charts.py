"""Small charts as numbers that a template draws: the course of a reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.arrays import Floats

LEFT, RIGHT, TOP, BOTTOM = 58.0, 14.0, 12.0, 26.0
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
_TICKS: Final = 4


@dataclass(frozen=True)
class Dot:
    """A reading in units of the picture; `kind` is how it is drawn, `says` what it is called."""

    x: float
    y: float
    kind: str
    says: str


@dataclass(frozen=True)
class Picture:
    """A chart: `lines` join dots of a kind, ticks are (place, text)."""

    width: float
    height: float
    dots: tuple[Dot, ...]
    lines: tuple[tuple[str, str], ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    bottom: float = BOTTOM


class _Frame:
    """Places days and values in a picture."""

    def __init__(self, width: float, height: float, days: pd.DatetimeIndex, least: float, most: float) -> None:
        self.width, self.height = width, height
        self._first = days.min()
        self._span = max((days.max() - self._first).total_seconds(), 1.0)
        self._one = self._first == days.max()
        self._least, self._most = least, most

    def x(self, when: pd.Timestamp) -> float:
        share = 0.5 if self._one else (when - self._first).total_seconds() / self._span
        return round(LEFT + 8.0 + share * (self.width - LEFT - RIGHT - 16.0), 1)

    def y(self, value: float) -> float:
        share = (value - self._least) / (self._most - self._least)
        return round(self.height - BOTTOM - share * (self.height - TOP - BOTTOM), 1)


def course_picture(
    days: pd.Series, values: pd.Series, kinds: Sequence[str], unit: str, *, width: float = 460.0
) -> Picture | None:
    """Draw the course of a reading.

    Parameters
    ----------
    days : (n,) times of sampling.
    values : (n,) readings; missing ones are left out.
    kinds : (n,) `raw` or `treated`, or `now` for the sample that is looked at.
    unit : of the readings.
    width : of the picture.

    Returns
    -------
    the picture; None where no reading has a day.
    """
    table = pd.DataFrame({"day": pd.to_datetime(days).to_numpy(), "value": values.to_numpy(), "kind": list(kinds)})
    table = table.dropna().sort_values("day", kind="stable")
    if table.empty:
        return None
    step, least, most = _axis(table["value"].to_numpy(dtype=np.float64))
    frame = _Frame(width, 150.0, pd.DatetimeIndex(table["day"]), least, most)
    dots = tuple(
        Dot(frame.x(when), frame.y(value), kind, f"{when:%Y-%m-%d}: {value:.4g} {unit}".strip())
        for when, value, kind in table.itertuples(index=False, name=None)
    )
    joined = tuple(
        (kind, " ".join(f"{dot.x},{dot.y}" for dot in dots if dot.kind == kind)) for kind in dict.fromkeys(kinds)
    )
    return Picture(width, 150.0, dots, joined, _days(frame, table["day"]), _ticks(frame, step, least, most))


def _axis(values: Floats) -> tuple[float, float, float]:
    """Choose a step and both ends, so that every value fits."""
    least, most = float(values.min()), float(values.max())
    if least > 0 and least < most / 2:
        least = 0.0
    if most <= least:
        margin = abs(most) * 0.1 or 1.0
        least, most = least - margin, most + margin
    wide = (most - least) / _TICKS
    magnitude = 10.0 ** np.floor(np.log10(wide))
    step = next(float(one * magnitude) for one in _STEPS if one * magnitude >= wide - 1e-12)
    return step, float(np.floor(least / step) * step), float(np.ceil(most / step) * step)


def _ticks(frame: _Frame, step: float, least: float, most: float) -> tuple[tuple[float, str], ...]:
    count = round((most - least) / step)
    return tuple((frame.y(least + n * step), f"{least + n * step:.6g}".replace("-", "−")) for n in range(count + 1))


def _days(frame: _Frame, days: Any) -> tuple[tuple[float, str], ...]:  # noqa: ANN401 - a series of times
    first, last = days.min(), days.max()
    ends = [first] if first == last else [first, last]
    return tuple((frame.x(when), f"{when:%Y-%m-%d}") for when in ends)
