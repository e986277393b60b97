"""Irregular visits as one value per block, season and year, with censored values kept as what they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from pipeline.arrays import Codes, Flags, Floats


SEASONS: Final = 4  # quarters of the calendar year
_DENSE: Final = 1.5  # quarters a year with a visit, from which on seasons are told apart
_HALF: Final = 0.5


@dataclass(frozen=True)
class Blocks:
    """Rows that are compared only with themselves: one place in one season, one column for each year.

    ``low`` and ``high`` bound the value of a cell; both are NaN where nobody came. A censored cell lies between 0
    and just below its limit. ``time``: mean time of the visits [years].
    """

    series: Codes
    low: Floats
    high: Floats
    time: Floats


def group_medians(group: Codes, values: Floats, groups: int) -> Floats:
    """Give the median of every group; NaN where a group is empty, minus infinity where the middle is censored."""
    order = np.lexsort((values, group))
    ranked = values[order]
    counts = np.bincount(group, minlength=groups)
    starts = np.concatenate(([0], np.cumsum(counts)[:-1]))
    filled = counts > 0
    medians = np.full(groups, np.nan)
    first = starts[filled] + (counts[filled] - 1) // 2
    second = starts[filled] + counts[filled] // 2
    medians[filled] = _HALF * (ranked[first] + ranked[second])
    return medians


def recensored(series: Codes, values: Floats, limits: Floats, count: int) -> tuple[Floats, Floats, Flags]:
    """Bring every series to one limit, its highest, so that no change of the limit looks like one of the water.

    A limit above the usual value of a series says next to nothing; where most readings have a value such a
    reading is left out, for the limit would hide the others.

    Parameters
    ----------
    series : (n,) number of the series of each reading.
    values, limits : (n,) value, or the limit it lies below where ``limits`` is not NaN.
    count : number of series.

    Returns
    -------
    Values (minus infinity: below the limit), limit of every series (NaN: none), readings that are kept.
    """
    censored = np.isfinite(limits)
    usual = group_medians(series[~censored], values[~censored], count)
    share = np.bincount(series, censored, count) / np.maximum(np.bincount(series, minlength=count), 1)
    vague = censored & (share[series] <= _HALF) & (limits > usual[series])
    highest = np.full(count, -np.inf)
    np.maximum.at(highest, series[censored & ~vague], limits[censored & ~vague])
    below = censored | (values < highest[series])
    return np.where(below, -np.inf, values), np.where(np.isfinite(highest), highest, np.nan), ~vague


def blocks_by_season(series: Codes, years: Floats, values: Floats, limits: Floats, count: int) -> Blocks:
    """Lay readings out by series, season and year.

    A series that is visited in more than one quarter of most years has a block for each quarter; any other one
    block, whose cells are whole years.

    Parameters
    ----------
    series : (n,) number of the series of each reading.
    years : (n,) time [years, with fraction].
    values : (n,) value; minus infinity below the limit of its series.
    limits : (count,) limit of the series; NaN where nothing is censored.
    """
    year = np.floor(years).astype(np.int64)
    first = int(year.min()) if len(year) else 0
    year = year - first
    span = int(year.max(initial=0)) + 1
    quarter = np.minimum(((years % 1.0) * SEASONS).astype(np.int64), SEASONS - 1)
    seen = np.unique((series * span + year) * SEASONS + quarter)
    years_seen = np.bincount(np.unique(seen // SEASONS) // span, minlength=count)
    dense = np.bincount(seen // (SEASONS * span), minlength=count) > _DENSE * years_seen
    block = np.where(dense[series], series * SEASONS + quarter, series * SEASONS)
    present, row = np.unique(block, return_inverse=True)
    cell = row * span + year
    cells = len(present) * span
    middle = group_medians(cell, values, cells).reshape(-1, span)
    time = (np.bincount(cell, years, cells) / np.maximum(np.bincount(cell, minlength=cells), 1)).reshape(-1, span)
    owner = present // SEASONS
    below = np.isneginf(middle)
    bound = np.nextafter(limits[owner], 0.0)[:, None]
    low, high = np.where(below, 0.0, middle), np.where(below, bound, middle)
    return Blocks(owner, low, high, np.where(np.isnan(middle), np.nan, time))
