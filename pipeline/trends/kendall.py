"""Kendall's test and the slope of Theil and Sen for many places at once, each compared only with itself.

One sum serves a single series (Mann 1945), the seasons of a site (Hirsch, Slack & Smith 1982) and the sites of
a region: the signs of all pairs of years, added over blocks. Its variance takes the blocks as they are, moving
together or not (Dietz & Killeen 1981, as Hirsch & Slack 1984 use it): a wet year that lifts all seasons and all
sites of a region counts as one year, not as many.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.trends.cells import group_medians
from pipeline.trends.moderation import moderated

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.arrays import Codes, Flags, Floats
    from pipeline.trends.cells import Blocks


LEAST_YEARS: Final = 3  # with fewer no order of the years is rare enough to say anything
_Z95: Final = 1.959963984540054
_SETTLED: Final = 0.1  # the bounds of a slope agree within this share of it


@dataclass(frozen=True)
class Kendall:
    """Test and slope of every group; NaN where there is too little to say.

    ``score``: concordant minus discordant pairs; ``variance`` of it where there is no trend; ``slope`` [per year]
    with its interval of 95 %.
    """

    score: Floats
    variance: Floats
    p: Floats
    slope: Floats
    slope_low: Floats
    slope_high: Floats


def kendall(blocks: Blocks, group: Codes, groups: int, *, shares: bool = False) -> Kendall:
    """Test every group of blocks for a trend and estimate its slope.

    Parameters
    ----------
    blocks : values with one column for each year.
    group : (rows,) group of every block; -1 leaves a block out.
    groups : number of groups.
    shares : the years of a group differ by shares of its level, rather than by amounts.

    Notes
    -----
    With D[i, j] the sum of the signs of x_j - x_i over the blocks: S = sum of D[i, j] over i < j, and
    var S = (sum of D[i, j] squared over i < j + sum over i of (sum over j of D[i, j]) squared) / 3. For one
    block that is the textbook variance with ties. Where blocks oppose each other by chance the variance is at
    least that of independent blocks. Z has the correction for continuity. The interval of the slope is that of
    Gilbert (1987), with the variance taken after the trend is removed.

    A trend that many series share swells that variance itself, so that ten years of however many sites could never be
    surer than ten years of one. A group of several series is therefore tested around its trend as well, with Student's
    t for the years that are left, and for those of the other groups as far as their years differ alike; the surer of
    the two counts. Years without a trend, simulated with and without a
    common weather, are told at p 0.05 in at most 7 %, at 0.01 in at most 2 %, at 0.001 in at most 0.4 % of cases.
    """
    kept = np.flatnonzero(group >= 0)
    low, high, time, group = blocks.low[kept], blocks.high[kept], blocks.time[kept], group[kept]
    score, joint, separate, years = _scores(low, high, group, groups)
    variance = np.maximum(joint, separate)
    owner, least, most = _pair_slopes(low, high, time, group)
    counts = np.bincount(owner, minlength=groups)
    least = least[np.lexsort((least, owner))]
    # Without readings below a limit the two bounds of every slope are one.
    most = least if (low == high)[np.isfinite(low)].all() else most[np.lexsort((most, owner))]
    slope = _slope(least, most, counts)
    drift = np.where(np.isfinite(slope), slope, 0.0)[group, None] * np.where(np.isfinite(time), time, 0.0)
    _, around, _, _ = _scores(low - drift, high - drift, group, groups)
    several = _several_series(blocks.series[kept], group, groups)
    scatter = _Scatter(np.maximum(around, separate), np.maximum(years - 2, 1.0))
    reach = _Z95 * np.sqrt(scatter.variance)
    enough = (years >= LEAST_YEARS) & (variance > 0)
    z = (score - np.sign(score)) / np.sqrt(np.where(variance > 0, variance, 1.0))
    p = np.where(enough, two_sided(z), np.nan)
    if several.any():
        one = _interval(least, most, counts, np.sqrt(scatter.variance))
        level = _levels(high, group, groups) if shares else np.ones(groups)
        worth = _worth_of_a_pair(one, scatter, years, level)
        joined = _with_common_weather(around, separate, scatter.freedom, np.where(several & enough, worth, np.nan))
        reach = np.where(several, joined.reach(), reach)
        surer = np.where(joined.freedom > scatter.freedom, 1.0, p)  # by chance either of two is small more often
        p = np.where(several & enough, np.minimum(surer, joined.chance(score)), p)
    bounds = _interval(least, most, counts, reach)
    # All pairs tied is no evidence of anything: no trend, and nothing against it either.
    p = np.where((years >= LEAST_YEARS) & (variance == 0), 1.0, p)
    # Where every cell lies below a limit, "0 to 0" would say that nothing moves.
    seen = np.bincount(group, (low == high).any(axis=1), groups) > 0
    known = (years >= LEAST_YEARS) & seen
    return Kendall(score, variance, p, *(np.where(known, each, np.nan) for each in (slope, *bounds)))


def _several_series(series: Codes, group: Codes, groups: int) -> Flags:
    """Tell the groups that put more than one series together."""
    pairs = np.unique(np.stack([group, series]), axis=1)[0]
    return np.bincount(pairs, minlength=groups) > 1


@dataclass(frozen=True)
class _Scatter:
    """Variance of the scores around their trends, and the degrees of freedom from which it is known."""

    variance: Floats
    freedom: Floats

    def reach(self) -> Floats:
        """Give half the width of the interval of 95 % of a slope, in pairs."""
        from scipy.special import stdtrit  # noqa: PLC0415 - scipy is imported where a trend is worked out

        return np.asarray(stdtrit(self.freedom, 0.975) * np.sqrt(self.variance))

    def chance(self, score: Floats) -> Floats:
        """Give the two-sided probability of the scores."""
        from scipy.special import stdtr  # noqa: PLC0415 - scipy is imported where a trend is worked out

        t = (np.abs(score) - 1) / np.sqrt(np.where(self.variance > 0, self.variance, 1.0))
        return np.asarray(np.minimum(2 * stdtr(self.freedom, -np.maximum(t, 0.0)), 1.0))


def _levels(high: Floats, group: Codes, groups: int) -> Floats:
    """Give the middle of the cells of every group; NaN without any."""
    row, column = np.nonzero(~np.isnan(high))
    return group_medians(group[row], high[row, column], groups)


def _worth_of_a_pair(one: tuple[Floats, Floats], scatter: _Scatter, years: Floats, level: Floats) -> Floats:
    """Give what a pair of the score is worth, as the part of its level by which years differ; NaN where that is open.

    Parameters
    ----------
    one : the slopes one standard deviation of the score below and above the middle.
    """
    pairs, spread = np.sqrt(scatter.variance), np.sqrt(years * (years**2 - 1) / 12)
    with np.errstate(divide="ignore", invalid="ignore"):
        worth = (one[1] - one[0]) / 2 / pairs * spread / np.abs(level)
    return np.where(np.isfinite(worth) & (worth > 0), worth, np.nan)


def _with_common_weather(around: Floats, separate: Floats, left: Floats, worth: Floats) -> _Scatter:
    """Take the variance apart into what each series has alone and what they share, and pool the latter over groups.

    What series share is known from as few years as there are; that of other groups, for the years of one region
    differ about as much as those of another, makes it surer. Their sum has the degrees of freedom of
    Satterthwaite (1946).
    """
    shared = around * (left + 1) / left - separate  # the slope took one of the years from all of it
    pooled, freedom = moderated(shared * worth**2, left)
    shared = np.where(np.isnan(worth), np.maximum(shared, 0.0), pooled / np.where(np.isnan(worth), 1.0, worth) ** 2)
    variance = separate + shared
    return _Scatter(variance, np.clip(freedom * (variance / np.maximum(shared, 1e-12)) ** 2, freedom, 1e6))


def two_sided(z: Floats) -> Floats:
    """Give the two-sided probability of a standard normal deviate."""
    from scipy.special import erfc  # noqa: PLC0415 - scipy is imported where a trend is worked out

    return np.asarray(erfc(np.abs(z) / np.sqrt(2.0)), dtype=np.float64)


def _pairs(low: Floats, high: Floats) -> Iterator[tuple[int, int, Codes, Floats]]:
    """Walk the pairs of years: the rows with both, and which way they go (0: tied, or not to be told apart)."""
    span = low.shape[1]
    for i in range(span):
        for j in range(i + 1, span):
            rows = np.flatnonzero(~(np.isnan(low[:, i]) | np.isnan(low[:, j])))
            if len(rows):
                up = low[rows, j] > high[rows, i]
                yield i, j, rows, up.astype(np.float64) - (high[rows, j] < low[rows, i])


def _scores(low: Floats, high: Floats, group: Codes, groups: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Give score, variance of blocks as they are and as if independent, and years with a value of every group."""
    span = low.shape[1]
    together = np.zeros((groups, span))  # sum over j of D[i, j]
    squares, score = np.zeros(groups), np.zeros(groups)
    alone, own = np.zeros_like(low), np.zeros(groups)
    for i, j, rows, sign in _pairs(low, high):
        pair = np.bincount(group[rows], sign, groups)
        score += pair
        squares += pair**2
        together[:, i] += pair
        together[:, j] -= pair
        alone[rows, i] += sign
        alone[rows, j] -= sign
        own += np.bincount(group[rows], sign**2, groups)
    joint = (squares + (together**2).sum(axis=1)) / 3.0
    separate = (own + np.bincount(group, (alone**2).sum(axis=1), groups)) / 3.0
    filled = np.zeros((groups, span), dtype=bool)
    row, column = np.nonzero(~np.isnan(low))
    filled[group[row], column] = True
    return score, joint, separate, filled.sum(axis=1).astype(np.float64)


def _pair_slopes(low: Floats, high: Floats, time: Floats, group: Codes) -> tuple[Codes, Floats, Floats]:
    """Give the least and the most slope of every pair of cells, with its group; a tie of censored cells is flat."""
    owners: list[Codes] = [np.zeros(0, np.int64)]
    least, most = [np.zeros(0)], [np.zeros(0)]
    for i, j, rows, sign in _pairs(low, high):
        gap = time[rows, j] - time[rows, i]
        tied = sign == 0
        owners.append(group[rows])
        least.append(np.where(tied, 0.0, (low[rows, j] - high[rows, i]) / gap))
        most.append(np.where(tied, 0.0, (high[rows, j] - low[rows, i]) / gap))
    return np.concatenate(owners), np.concatenate(least), np.concatenate(most)


def _slope(least: Floats, most: Floats, counts: Codes) -> Floats:
    """Give the median slope of every group; NaN where censoring leaves it open (the two bounds differ)."""
    middle = (counts + 1) / 2
    lower = _at_rank(least, counts, middle)
    upper = lower if most is least else _at_rank(most, counts, middle)
    settled = np.abs(upper - lower) <= _SETTLED * np.maximum(np.abs(upper), np.abs(lower))
    return np.where(settled, (lower + upper) / 2, np.nan)


def _interval(least: Floats, most: Floats, counts: Codes, half: Floats) -> tuple[Floats, Floats]:
    """Give the slopes at Gilbert's ranks, between neighbours in proportion."""
    return _at_rank(least, counts, (counts - half) / 2), _at_rank(most, counts, (counts + half) / 2 + 1)


def _at_rank(ranked: Floats, counts: Codes, rank: Floats) -> Floats:
    """Give the slope at a rank, counted from 1, of every group; NaN where a group has none.

    ``ranked``: the slopes of the groups one after the other, rising within each.
    """
    starts = np.concatenate(([0], np.cumsum(counts)[:-1]))
    filled = counts > 0
    found = np.full(len(counts), np.nan)
    place = np.clip(rank[filled] - 1, 0, counts[filled] - 1)
    below = np.floor(place).astype(np.int64)
    above = np.minimum(below + 1, counts[filled] - 1)
    share = place - below
    found[filled] = ranked[starts[filled] + below] * (1 - share) + ranked[starts[filled] + above] * share
    return found
