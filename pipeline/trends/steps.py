"""Where a series jumps: season, drift and step held against one another, for all series at once.

Four descriptions of a series are compared: its seasons; seasons and a drift; seasons and a step; all three. A step
is told only where a description with it is better by far than the best without (Schwarz 1978, with the place of
the step counted as two parameters more). Readings that hang together in time count for fewer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pipeline.trends.cells import SEASONS

if TYPE_CHECKING:
    from pipeline.arrays import Codes, Flags, Floats


_LEAST: Final = 3  # visits on either side
_MARGIN: Final = 8.0  # by how much a step must be better, twice the logarithm of the likelihood
_UNSURE: Final = 6.0  # splits this close to the best are not ruled out
_WINDOW: Final = 7  # visits
_WILD: Final = 5.0  # times the usual scatter: taken back to there, so that a slip of the pen is no step
_LOCAL: Final = 4  # visits either side in which most of the step must happen
_ABRUPT: Final = 0.5


@dataclass(frozen=True)
class Steps:
    """One step of a series: the last visit before it and the first after, most likely and outermost.

    ``size``: one column for each quantity; NaN where it was not measured. ``deviates``: size by its standard error.
    """

    series: Codes
    before: Codes
    after: Codes
    earliest: Codes
    latest: Codes
    size: Floats
    deviates: Floats
    strength: Floats


def find_steps(series: Codes, time: Floats, values: Floats, floor: Floats, *, seasonal: bool, rounds: int) -> Steps:
    """Find the steps of many series.

    Parameters
    ----------
    series : (n,) series of each visit, rising; ``time`` [years] rises within each.
    values : (n, k) what was measured, NaN where it was not.
    floor : (k,) scatter that a reading has at least.
    seasonal : allow for a season of quarters.
    rounds : how often a series may be divided at its steps and looked at again.
    """
    season = (
        np.minimum((time % 1.0 * SEASONS).astype(np.int64), SEASONS - 1) if seasonal else np.zeros(len(time), np.int64)
    )
    tame = np.column_stack([_tamed(series, column, least) for column, least in zip(values.T, floor, strict=True)])
    part = series.astype(np.int64) * 2**rounds
    found: list[Steps] = []
    for turn in range(rounds):
        here = _best(np.unique(part, return_inverse=True)[1], time, season, tame, floor)
        if not len(here.series):
            break
        found.append(here)
        divided = np.zeros(len(time), dtype=np.int64)
        divided[here.after] = 1
        passed = np.cumsum(divided) - _at_starts(np.cumsum(divided) - divided, part)
        part = part + (passed > 0) * 2 ** (rounds - 1 - turn)
    return _joined(found, series, values.shape[1])


def _joined(found: list[Steps], series: Codes, width: int) -> Steps:
    if not found:
        none = np.zeros(0, np.int64)
        return Steps(none, none, none, none, none, np.zeros((0, width)), np.zeros((0, width)), np.zeros(0))
    names = ("before", "after", "earliest", "latest", "size", "deviates", "strength")
    joined = {name: np.concatenate([getattr(each, name) for each in found]) for name in names}
    order = np.argsort(joined["after"], kind="stable")
    joined = {name: column[order] for name, column in joined.items()}
    return Steps(series[joined["after"]], **joined)


def _at_starts(values: Floats | Codes, part: Codes) -> Any:  # noqa: ANN401 - of the kind that came in
    """Give every row the value of the first row of its part."""
    first = np.concatenate(([True], part[1:] != part[:-1]))
    return values[np.flatnonzero(first)][np.cumsum(first) - 1]


def _tamed(series: Codes, column: Floats, least: float) -> Floats:
    """Take wild readings back towards the middle of the visits around them."""
    known = np.flatnonzero(~np.isnan(column))
    values = column[known]
    middle = _window_medians(series[known], values)
    scatter = _window_medians(series[known], np.abs(values - middle))
    reach = _WILD * np.maximum(1.4826 * scatter, least)
    tame = column.copy()
    tame[known] = np.where(np.isnan(middle), values, np.clip(values, middle - reach, middle + reach))
    return tame


def _window_medians(series: Codes, values: Floats) -> Floats:
    """Give the median of the visits around each, of its series; NaN where there are too few."""
    reach = _WINDOW // 2
    around = np.full((len(values), _WINDOW), np.nan)
    for column, shift in enumerate(range(-reach, reach + 1)):
        row = np.arange(len(values)) + shift
        inside = np.clip(row, 0, max(len(values) - 1, 0))
        mine = (row == inside) & (series[inside] == series)
        around[:, column] = np.where(mine, values[inside], np.nan)
    around.sort(axis=1)
    count = _WINDOW - np.isnan(around).sum(axis=1)
    rows = np.arange(len(values))
    middle = (around[rows, np.maximum(count - 1, 0) // 2] + around[rows, np.minimum(count // 2, _WINDOW - 1)]) / 2
    return np.where(count >= _LEAST, middle, np.nan)


@dataclass(frozen=True)
class _Fit:
    """What one quantity says of every possible split, and of its series as a whole."""

    count: Floats  # readings of the series
    flat: Floats  # n ln(mean square), of the series: seasons alone
    drift: Floats  # seasons and drift
    step: Floats  # seasons and step, of every split
    both: Floats
    size: Floats
    error: Floats
    possible: Flags
    residual: Floats


def _fit(part: Codes, time: Floats, season: Codes, column: Floats, least: float) -> _Fit:
    """Compare the four descriptions of one quantity at every split, by running sums."""
    parts = int(part[-1]) + 1
    known = ~np.isnan(column)
    weight = known.astype(np.float64)
    key = part * SEASONS + season
    keys = parts * SEASONS
    of_key = np.bincount(key, weight, keys)

    def demeaned(values: Floats) -> Floats:
        means = np.bincount(key, values * weight, keys) / np.maximum(of_key, 1)
        return np.asarray((values - means[key]) * weight)

    def running(values: Floats) -> Floats:
        sums = np.cumsum(values)
        return np.asarray(sums - _at_starts(sums - values, part))

    residual, years = demeaned(np.where(known, column, 0.0)), demeaned(time)
    space = np.zeros(len(part))
    for quarter in range(int(season.max(initial=0)) + 1):
        total = of_key[part * SEASONS + quarter]
        passed = running(weight * (season == quarter))
        space += passed * (total - passed) / np.maximum(total, 1)
    count: Floats = np.bincount(part, weight, parts).astype(np.float64)
    passed = running(weight)
    possible = (passed >= _LEAST) & (count[part] - passed >= _LEAST) & (space > _SPACE)
    safe = np.where(possible, space, 1.0)
    gain = running(residual) ** 2 / safe
    spread = np.bincount(part, years**2, parts)
    slope = np.bincount(part, years * residual, parts) / np.maximum(spread, _TINY)
    whole = np.bincount(part, residual**2, parts)
    drifting = whole - slope**2 * spread
    level = residual - slope[part] * years
    left = np.where(possible, space - running(years) ** 2 / np.maximum(spread, _TINY)[part], 1.0)
    more = np.where(left > _SPACE, running(level) ** 2 / np.maximum(left, _SPACE), 0.0)

    def worth(squares: Any, number: Floats) -> Floats:  # noqa: ANN401 - sums of squares
        return np.asarray(number * np.log(np.maximum(squares, 0) / np.maximum(number, 1) + least**2))

    number = count[part]
    remaining = np.maximum(whole[part] - gain, 0)
    return _Fit(
        count,
        worth(whole, count),
        worth(drifting, count),
        worth(remaining, number),
        worth(drifting[part] - more, number),
        np.where(possible, -running(residual) / safe, np.nan),
        np.sqrt((remaining / np.maximum(number - 2, 1) + least**2) / safe),
        possible,
        residual,
    )


_SPACE: Final = 0.5
_TINY: Final = 1e-12


def _best(part: Codes, time: Floats, season: Codes, values: Floats, floor: Floats) -> Steps:
    """Take the best split of every part where the description with a step is better by far."""
    parts = int(part[-1]) + 1
    fits = [_fit(part, time, season, column, least) for column, least in zip(values.T, floor, strict=True)]
    enough = [fit.count >= 2 * _LEAST for fit in fits]
    counted = np.sum([np.where(ok, fit.count, 0) for fit, ok in zip(fits, enough, strict=True)], axis=0)
    quantities = np.sum(enough, axis=0)
    size = np.log(np.maximum(counted / np.maximum(quantities, 1), 2))

    def total(name: str, place: Codes | slice) -> Floats:
        terms = [np.where(ok[place], getattr(fit, name), 0.0) for fit, ok in zip(fits, enough, strict=True)]
        return np.asarray(np.sum(terms, axis=0))

    possible = np.all([fit.possible | ~ok[part] for fit, ok in zip(fits, enough, strict=True)], axis=0)
    possible &= (quantities > 0)[part]
    flat, drift = total("flat", slice(None)), total("drift", slice(None))
    step = (flat[part] - total("step", part)) - ((quantities + 2) * size)[part]
    both = (flat[part] - total("both", part)) - ((2 * quantities + 2) * size)[part]
    gain = np.where(possible, np.maximum(step, both), -np.inf)
    best = _places_of_highest(part, gain, parts)
    usable = np.isfinite(gain[best])
    rest = np.maximum(flat - drift - quantities * size, 0.0)
    independent = _independent(part, fits, best)
    strength = (gain[best] - rest) * independent
    chosen = np.flatnonzero(usable & (strength > _MARGIN))
    chosen = chosen[_abrupt(part, fits, best, chosen)]
    near = gain * independent[part] >= (gain[best] * independent)[part] - _UNSURE
    first, last = _outermost(part, near & possible, parts)
    at = best[chosen]
    sizes = np.column_stack([np.where(ok[chosen], fit.size[at], np.nan) for fit, ok in zip(fits, enough, strict=True)])
    errors = np.column_stack([fit.error[at] for fit in fits]) / np.sqrt(independent[chosen, None])
    return Steps(part[at], at, at + 1, first[chosen], last[chosen] + 1, sizes, sizes / errors, strength[chosen])


def _places_of_highest(part: Codes, gain: Floats, parts: int) -> Codes:
    """Give the row of the highest gain of every part."""
    order = np.lexsort((gain, part))
    ends = np.cumsum(np.bincount(part, minlength=parts)) - 1
    return order[ends]


def _outermost(part: Codes, near: Flags, parts: int) -> tuple[Codes, Codes]:
    rows = np.flatnonzero(near)
    first, last = np.full(parts, len(part)), np.full(parts, -1)
    np.minimum.at(first, part[rows], rows)
    np.maximum.at(last, part[rows], rows)
    return first, last


def _independent(part: Codes, fits: list[_Fit], best: Codes) -> Floats:
    """Give the share of readings that say something of their own, from how neighbours hang together after the step."""
    parts = int(part[-1]) + 1
    after = np.arange(len(part)) > best[part]
    share = np.full(parts, 1.0)
    for fit in fits:
        side = part * 2 + after
        middle = np.bincount(side, fit.residual, parts * 2) / np.maximum(np.bincount(side, minlength=parts * 2), 1)
        rest = fit.residual - middle[side]
        same = part[1:] == part[:-1]
        product = np.bincount(part[1:][same], (rest[1:] * rest[:-1])[same], parts)
        square = np.bincount(part, rest**2, parts)
        alike = np.clip(product / np.maximum(square, _TINY), 0.0, 0.8)
        share = np.minimum(share, (1 - alike) / (1 + alike))
    return share


def _abrupt(part: Codes, fits: list[_Fit], best: Codes, chosen: Codes) -> Flags:
    """Tell steps that happen within a few visits from slow changes: on the whole half of each must be local."""
    at = best[chosen]
    told, local = np.zeros(len(chosen)), np.zeros(len(chosen))
    for fit in fits:
        size = np.nan_to_num(fit.size[at])
        total = np.zeros((2, len(chosen)))
        count = np.zeros((2, len(chosen)))
        for side, places in ((0, range(_LOCAL)), (1, range(1, _LOCAL + 1))):
            for place in places:
                row = at - place if side == 0 else at + place
                row = np.clip(row, 0, len(part) - 1)
                mine = part[row] == part[at]
                total[side] += np.where(mine, fit.residual[row], 0.0)
                count[side] += mine
        jump = total[1] / np.maximum(count[1], 1) - total[0] / np.maximum(count[0], 1)
        told += np.abs(size)
        local += jump * np.sign(size)
    return local >= _ABRUPT * told
