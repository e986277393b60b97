"""Summaries of readings some of which lie below a limit: nothing is put in the place of a value."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats


def kaplan_meier(values: Floats, censored: Flags) -> tuple[Floats, Floats]:
    """Estimate the distribution of readings below several limits (Kaplan & Meier 1958, turned round as Helsel 2012).

    Parameters
    ----------
    values : (n,) the value, or the limit where ``censored``.

    Returns
    -------
    Distinct values in rising order, and the share of the water that lies below each of them.
    """
    levels = np.unique(values[~censored])
    # Those that are known to be at most a level: a limit at the level itself counts, for "<1" is below 1.
    at_risk = np.searchsorted(np.sort(values), levels, side="right")
    observed = np.searchsorted(np.sort(values[~censored]), levels, side="right")
    observed = observed - np.searchsorted(np.sort(values[~censored]), levels, side="left")
    below = np.cumprod((1.0 - observed / at_risk)[::-1])[::-1]
    return levels, np.asarray(below, dtype=np.float64)


def regression_on_order(values: Floats, censored: Flags) -> Floats:
    """Give the readings with those below a limit drawn from the line of the others (Helsel & Cohn 1988).

    Normal scores of the plotting positions against the logarithms. Only for summaries, never a value of a sample.
    With fewer than two distinct values there is no line: NaN for the censored ones.
    """
    from scipy.special import ndtri  # noqa: PLC0415 - scipy is imported where a trend is worked out

    limits = np.unique(values[censored])
    exceeded = _exceedance(values, censored, limits)
    seen = np.flatnonzero(~censored)
    group = np.searchsorted(limits, values[seen], side="right")
    positions = np.full(len(values), np.nan)
    bounds = np.concatenate(([1.0], exceeded, [0.0]))
    for place in np.unique(group):
        mine = seen[group == place][np.argsort(values[seen[group == place]], kind="stable")]
        share = np.arange(1, len(mine) + 1) / (len(mine) + 1)
        positions[mine] = (1 - bounds[place]) + (bounds[place] - bounds[place + 1]) * share
    for place, limit in enumerate(limits):
        mine = np.flatnonzero(censored & (values == limit))
        positions[mine] = (1 - exceeded[place]) * np.arange(1, len(mine) + 1) / (len(mine) + 1)
    if len(np.unique(values[seen])) < 2:  # noqa: PLR2004 - a line needs two points
        return np.where(censored, np.nan, values)
    slope, start = np.polyfit(ndtri(positions[seen]), np.log(values[seen]), 1)
    return np.where(censored, np.exp(start + slope * ndtri(positions)), values)


def _exceedance(values: Floats, censored: Flags, limits: Floats) -> Floats:
    """Give the probability of exceeding each limit."""
    exceeded = np.zeros(len(limits) + 1)
    uppers = np.append(limits[1:], np.inf)
    for place in range(len(limits) - 1, -1, -1):
        within = int((~censored & (values >= limits[place]) & (values < uppers[place])).sum())
        under = int((values < limits[place]).sum() + (censored & (values == limits[place])).sum())
        chance = within / (within + under) if within + under else 0.0
        exceeded[place] = exceeded[place + 1] + chance * (1 - exceeded[place + 1])
    return exceeded[:-1]
