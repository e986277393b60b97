"""Small charts as numbers that a template draws: the course of a reading, and a control chart with its limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.bench.control_chart import chart_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.arrays import Floats

LEFT, RIGHT, TOP, BOTTOM = 58.0, 14.0, 12.0, 26.0
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
_TICKS: Final = 4
_WARNING: Final = "1 2s"


@dataclass(frozen=True)
class Dot:
    """A reading in units of the picture; `kind` is how it is drawn, `says` what it is called."""

    x: float
    y: float
    kind: str
    says: str


@dataclass(frozen=True)
class Picture:
    """A chart: `lines` join dots of a kind, `levels` are (y, name, kind) of limits, ticks (place, text)."""

    width: float
    height: float
    dots: tuple[Dot, ...]
    lines: tuple[tuple[str, str], ...]
    levels: tuple[tuple[float, str, str], ...]
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
    step, least, most = _axis(table["value"].to_numpy(dtype=np.float64), zero=True)
    frame = _Frame(width, 150.0, pd.DatetimeIndex(table["day"]), least, most)
    dots = tuple(
        Dot(frame.x(when), frame.y(value), kind, f"{when:%Y-%m-%d}: {value:.4g} {unit}".strip())
        for when, value, kind in table.itertuples(index=False, name=None)
    )
    joined = tuple(
        (kind, " ".join(f"{dot.x},{dot.y}" for dot in dots if dot.kind == kind)) for kind in dict.fromkeys(kinds)
    )
    return Picture(width, 150.0, dots, joined, (), _days(frame, table["day"]), _ticks(frame, step, least, most))


def control_picture(days: pd.Series, values: Floats, *, width: float = 720.0) -> Picture | None:
    """Draw a control chart: every reading, the mean, warning and action limits, and the rules that were broken.

    Parameters
    ----------
    days : (n,) times, in their order.
    values : (n,) recoveries, or how far a buffer was off.
    width : of the picture.

    Returns
    -------
    the picture; None where fewer than two readings have a day. Limits are drawn where twenty readings support them.
    """
    known = pd.to_datetime(days).notna().to_numpy()
    if known.sum() < 2:  # noqa: PLR2004 - a chart needs two readings
        return None
    chart = chart_of(values)
    broken = {at: rule for at, rule in chart.breaks if rule != _WARNING} if chart.sure else {}
    levels = [(chart.mean, "mean", "mean")]
    if chart.sure:
        levels += [(value, "warning", "warning") for value in chart.warning]
        levels += [(value, "action", "action") for value in chart.action]
    step, least, most = _axis(np.append(values[known], [level[0] for level in levels]), zero=False)
    times = pd.DatetimeIndex(pd.to_datetime(days))
    frame = _Frame(width, 230.0, times[known], least, most)
    dots = tuple(
        Dot(
            frame.x(times[at]),
            frame.y(float(values[at])),
            "broken" if at in broken else "within",
            f"{times[at]:%Y-%m-%d}: {values[at]:.4g}{f', {broken[at]}' if at in broken else ''}",
        )
        for at in np.flatnonzero(known).tolist()
    )
    line = ("course", " ".join(f"{dot.x},{dot.y}" for dot in dots))
    placed = tuple((frame.y(value), name, kind) for value, name, kind in levels)
    days_told = _days(frame, pd.Series(times[known]))
    return Picture(width, 230.0, dots, (line,), placed, days_told, _ticks(frame, step, least, most))


def _axis(values: Floats, *, zero: bool) -> tuple[float, float, float]:
    """Choose a step and both ends, so that every value fits."""
    least, most = float(values.min()), float(values.max())
    if zero and least > 0 and least < most / 2:
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
