"""Small pictures of trends, as numbers ready to be drawn by a template."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from pipeline.arrays import Floats

WIDTH, HEIGHT = 340.0, 190.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 46.0, 18.0, 10.0, 24.0
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
_GAP_YEARS: Final = 0.8  # a longer time without a visit is drawn as a gap


@dataclass(frozen=True)
class TrendPicture:
    """One course: the band of its quartiles, its medians, the slope with its interval, and ticks."""

    bands: list[str]
    lines: list[str]
    dots: list[tuple[float, float]]
    slope: tuple[float, float, float, float] | None
    fan: str
    changes: list[float]
    x_ticks: list[tuple[float, str]]
    y_ticks: list[tuple[float, str]]


def trend_picture(course: pd.DataFrame, slope: tuple[float, float, float], changes: Sequence[float]) -> TrendPicture:
    """Place one course.

    Parameters
    ----------
    course : quarters with `year low middle high`, rising in time.
    slope : a year, with its interval; NaN where there is none.
    changes : times of changes of a source [years].
    """
    year = course["year"].to_numpy(dtype=np.float64)
    low, middle, high = (course[name].to_numpy(dtype=np.float64) for name in ("low", "middle", "high"))
    first, last = float(np.floor(year.min())), float(np.ceil(year.max()))
    bottom, top, step = _scale(float(low.min()), float(high.max()))

    def across(values: Floats) -> Floats:
        return np.asarray(_LEFT + (values - first) / max(last - first, 1.0) * (WIDTH - _LEFT - _RIGHT))

    def up(values: Floats) -> Floats:
        return np.asarray(HEIGHT - _BOTTOM - (values - bottom) / (top - bottom) * (HEIGHT - _TOP - _BOTTOM))

    parts = np.split(np.arange(len(year)), np.flatnonzero(np.diff(year) > _GAP_YEARS) + 1)
    centre, level = float(np.median(year)), float(np.median(middle))
    ends = np.array([year.min(), year.max()])
    fans = [level + one * (ends - centre) for one in slope]
    drawn = None
    if np.isfinite(slope[0]):
        x, y = across(ends), up(np.clip(fans[0], bottom, top))
        drawn = (float(x[0]), float(y[0]), float(x[1]), float(y[1]))
    fan = ""
    if np.isfinite(slope[1] + slope[2]):
        y_low, y_high = (up(np.clip(line, bottom, top)) for line in fans[1:])
        x, middle_x, middle_y = across(ends), across(np.array([centre]))[0], up(np.array([level]))[0]
        fan = " ".join(
            f"{a:.1f},{b:.1f}"
            for a, b in ((x[0], y_low[0]), (middle_x, middle_y), (x[1], y_low[1]), (x[1], y_high[1]),
                         (middle_x, middle_y), (x[0], y_high[0]))
        )  # fmt: skip
    years = np.arange(first, last + 0.5, max(1, round((last - first) / 5)))
    ticks = np.arange(bottom, top + step / 2, step)
    return TrendPicture(
        bands=[_points(across(year[part]), up(low[part]), up(high[part])) for part in parts if len(part) > 1],
        lines=[_points(across(year[part]), up(middle[part])) for part in parts if len(part) > 1],
        dots=[(round(float(x), 1), round(float(y), 1)) for x, y in zip(across(year), up(middle), strict=True)],
        slope=drawn,
        fan=fan,
        changes=[round(float(x), 1) for x in across(np.array([at for at in changes if first <= at <= last]))],
        x_ticks=[(float(x), f"{tick:.0f}") for x, tick in zip(across(years), years, strict=True)],
        y_ticks=[(float(y), f"{tick:g}") for y, tick in zip(up(ticks), np.round(ticks, 10), strict=True)],
    )


def _points(x: Floats, y: Floats, back: Floats | None = None) -> str:
    """Write the corners of a line, or of a band that comes back along ``back``."""
    pairs = list(zip(x, y, strict=True))
    if back is not None:
        pairs += list(zip(x[::-1], back[::-1], strict=True))
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in pairs)


def _scale(low: float, high: float) -> tuple[float, float, float]:
    """Choose round ends and a step of an axis."""
    reach = max(high - low, abs(high) * 0.02, 1e-6)
    magnitude = 10.0 ** np.floor(np.log10(reach / 3))
    step = next(float(one * magnitude) for one in _STEPS if reach / (one * magnitude) <= 4)  # noqa: PLR2004 - lines of the grid
    return float(np.floor(low / step) * step), float(np.ceil(high / step + 1e-9) * step), step
