"""Groups of sites: what their water is like and how it drifts, each site compared only with itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.trends.cells import SEASONS, blocks_by_season, group_medians, recensored
from pipeline.trends.censored import regression_on_order
from pipeline.trends.kendall import kendall

if TYPE_CHECKING:
    from pipeline.arrays import Codes, Floats
    from pipeline.trends.panel import Panel, SamplingPoints


EPOCHS: Final = 64  # more changes of source than any site has
_MOST_CENSORED: Final = 0.8  # beyond it only the share is told [Helsel 2012]
_SEASON_READINGS: Final = 3
_RANK95: Final = 0.98  # half the width of the interval of a median, in ranks of the square root of n


def rows_of_groups(panel: Panel, group: Codes, names: list[str], epoch: Codes, places: SamplingPoints) -> pd.DataFrame:
    """Give one row for each group and stage.

    Parameters
    ----------
    group : (samples,) number of the group in ``names``; -1: none.
    epoch : (readings of the panel,) how often the source had changed.
    """
    rows = np.flatnonzero(panel.first & (group[panel.sample] >= 0))
    if not len(rows):
        return pd.DataFrame()
    place, year = panel.place[rows], panel.year[rows]
    stage_names = np.unique(places.table["stage"])
    stage = np.searchsorted(stage_names, places.table["stage"])[place]
    kinds, owner = np.unique(group[panel.sample[rows]] * len(stage_names) + stage, return_inverse=True)
    series = np.unique(np.stack([place * EPOCHS + epoch[rows], owner]), axis=1, return_inverse=True)[1]
    owner_of = np.zeros(int(series.max()) + 1, dtype=np.int64)
    owner_of[series] = owner
    limit = panel.limit[rows]
    value = np.where(np.isnan(limit), panel.value[rows], limit)
    told, bound, kept = recensored(series, value, limit, len(owner_of))
    blocks = blocks_by_season(series[kept], year[kept], told[kept], bound, len(owner_of))
    result = kendall(blocks, owner_of[blocks.series], len(kinds), shares=panel.logarithmic)
    middle = group_medians(series[kept], told[kept], len(owner_of))
    share = np.bincount(owner, ~np.isnan(limit), len(kinds)) / np.bincount(owner, minlength=len(kinds))
    median, lower, upper = _medians(owner_of, middle, owner[kept], told[kept], len(kinds))
    site = pd.factorize(places.table["client"] + "\x1f" + places.table["site"])[0][place]
    pairs = np.unique(owner * (int(site.max()) + 1) + site) // (int(site.max()) + 1)
    return pd.DataFrame({
        "group": [names[kind // len(stage_names)] for kind in kinds],
        "analyte": panel.analyte,
        "stage": stage_names[kinds % len(stage_names)],
        "unit": panel.unit,
        "samples": np.bincount(owner, minlength=len(kinds)),
        "sites": np.bincount(pairs, minlength=len(kinds)),
        "censored": share,
        "median": _told_medians(median, share, owner, value, limit), "median_low": lower, "median_high": upper,
        "slope_per_year": result.slope, "slope_low": result.slope_low, "slope_high": result.slope_high, "p": result.p,
        "season": _seasons(owner[kept], _departures(told[kept], middle[series[kept]]), year[kept], len(kinds)),
        "pooled_slope": _pooled(owner, year, value, limit, len(kinds)),
        "first_year": _extreme(np.minimum, owner, year, len(kinds), np.inf),
        "last_year": _extreme(np.maximum, owner, year, len(kinds), -np.inf),
    })  # fmt: skip


def _extreme(of: np.ufunc, owner: Codes, year: Floats, count: int, start: float) -> Floats:
    found = np.full(count, start)
    of.at(found, owner, year)
    return found


def _medians(
    owner_of: Codes, middle: Floats, owner: Codes, values: Floats, count: int
) -> tuple[Floats, Floats, Floats]:
    """Give the median of the sites' medians with its interval; of one site that of its readings."""
    several = np.bincount(owner_of, minlength=count) > 1
    known = ~np.isnan(middle)
    of_sites = _with_interval(owner_of[known], middle[known], count)
    of_readings = _with_interval(owner, values, count)
    return tuple(np.where(several, a, b) for a, b in zip(of_sites, of_readings, strict=True))  # type: ignore[return-value] # three of them


def _with_interval(group: Codes, values: Floats, count: int) -> tuple[Floats, Floats, Floats]:
    """Give medians with an interval of 95 % by ranks; NaN where too few values bound it, or a bound is censored."""
    ranked = values[np.lexsort((values, group))]
    size = np.bincount(group, minlength=count)
    starts = np.concatenate(([0], np.cumsum(size)[:-1]))
    low = np.floor(size / 2 - _RANK95 * np.sqrt(size)).astype(np.int64) - 1
    high = size - 1 - low
    bounded = low >= 0
    bounds = []
    for place in (low, high):
        at = np.clip(starts + place, 0, max(len(ranked) - 1, 0))
        found = np.where(bounded, ranked[at] if len(ranked) else np.nan, np.nan)
        bounds.append(np.where(np.isfinite(found), found, np.nan))
    return group_medians(group, values, count), bounds[0], bounds[1]


def _told_medians(median: Floats, share: Floats, owner: Codes, value: Floats, limit: Floats) -> Floats:
    """Estimate the medians that lie below a limit from the readings above it; none where hardly any has a value."""
    told = np.where(np.isfinite(median), median, np.nan)
    order = np.argsort(owner, kind="stable")
    starts = np.searchsorted(owner[order], np.arange(len(median) + 1))
    for number in np.flatnonzero(np.isneginf(median) & (share <= _MOST_CENSORED)):
        mine = order[starts[number] : starts[number + 1]]
        mine = mine[value[mine] > 0]  # a reading of 0 has no logarithm, and is no limit either
        told[number] = float(np.median(regression_on_order(value[mine], ~np.isnan(limit[mine]))))
    return told


def _departures(values: Floats, usual: Floats) -> Floats:
    """Give how far readings lie from the usual one of their series; NaN where either is below a limit."""
    known = np.isfinite(values) & np.isfinite(usual)
    return np.where(known, np.where(known, values, 0.0) - np.where(known, usual, 0.0), np.nan)


def _seasons(owner: Codes, departure: Floats, year: Floats, count: int) -> list[dict[str, float] | None]:
    """Give how far each quarter lies from the usual value of the sites; None where a quarter was hardly visited."""
    known = np.isfinite(departure)
    key = owner[known] * SEASONS + np.minimum((year[known] % 1 * SEASONS).astype(np.int64), SEASONS - 1)
    middle = group_medians(key, departure[known], count * SEASONS).reshape(-1, SEASONS)
    enough = (np.bincount(key, minlength=count * SEASONS).reshape(-1, SEASONS) >= _SEASON_READINGS).all(axis=1)
    return [
        {f"Q{i + 1}": float(value) for i, value in enumerate(row)} if ok else None
        for row, ok in zip(middle, np.atleast_1d(enough), strict=True)
    ]


def _pooled(owner: Codes, year: Floats, value: Floats, limit: Floats, count: int) -> Floats:
    """Give the slope that the medians of whoever was sampled would show: what composition alone can make."""
    told, bound, kept = recensored(owner, value, limit, count)
    blocks = blocks_by_season(owner[kept], year[kept], told[kept], bound, count)
    return kendall(blocks, blocks.series, count).slope
