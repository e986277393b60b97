"""A control chart of single readings: warning and action limits, run rules, and drift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from pipeline.arrays import Floats

BASELINE: Final = 20  # readings that the limits are drawn from; fewer draw none [APHA1020]
WARNING, ACTION = 2.0, 3.0  # standard deviations [APHA1020]
_FOUR, _TEN = 4, 10  # readings in a row of the rules 4 1s and 10 x [WESTGARD1981]
_WEIGHT: Final = 0.2  # of the newest reading in the moving average [ROBERTS1959]
_WIDTH: Final = 2.7  # standard deviations of that average, which false alarms cross as rarely as 3 s [CP]
LEAST_BLANKS: Final = 7  # for a detection limit [CFR136]
_CONFIDENCE: Final = 0.99  # [CFR136]


@dataclass(frozen=True)
class ControlChart:
    """A chart of single readings in the order of time.

    Attributes
    ----------
    mean, deviation : of the first twenty readings, or of all where there are fewer.
    sure : there are twenty to draw limits from.
    breaks : (place, rule) of every reading at which a rule is broken.
    drift : place from which the moving average has left its limits; -1 where it has not.
    """

    mean: float
    deviation: float
    sure: bool
    breaks: tuple[tuple[int, str], ...]
    drift: int

    @property
    def warning(self) -> tuple[float, float]:
        """Give the warning limits."""
        return self.mean - WARNING * self.deviation, self.mean + WARNING * self.deviation

    @property
    def action(self) -> tuple[float, float]:
        """Give the action limits."""
        return self.mean - ACTION * self.deviation, self.mean + ACTION * self.deviation


def chart_of(values: Floats) -> ControlChart:
    """Draw the chart of readings.

    Parameters
    ----------
    values : (n,) in the order of time, without gaps; at least two.

    Notes
    -----
    Limits are mean ± 2 s and ± 3 s of at least twenty readings [APHA1020]. A reading beyond 3 s, two in a row beyond
    the same 2 s, two in a row of which one is above + 2 s and one below − 2 s, four in a row beyond the same 1 s, ten
    in a row on one side are breaks; one beyond 2 s is a warning [WESTGARD1981]. Drift: the moving average
    z = 0.2 x + 0.8 z leaves mean ± 2.7 s √(0.2/1.8 (1 − 0.8²ᵗ)) [ROBERTS1959].
    """
    base = values[:BASELINE]
    mean, deviation = float(base.mean()), float(base.std(ddof=1))
    sure = len(values) >= BASELINE
    scaled = (values - mean) / deviation if deviation > 0 else np.zeros(len(values))
    return ControlChart(mean, deviation, sure, tuple(_breaks(scaled)), _drift(scaled))


def _breaks(scaled: Floats) -> list[tuple[int, str]]:
    """Name the gravest rule that each reading breaks, with those before it."""
    found = []
    for place in range(len(scaled)):
        rule = _rule(scaled[: place + 1])
        if rule:
            found.append((place, rule))
    return found


def _rule(run: Floats) -> str:
    last, pair = run[-1], run[-2:]
    if abs(last) > ACTION:
        return "1 3s"
    if len(pair) > 1 and (np.all(pair > WARNING) or np.all(pair < -WARNING)):
        return "2 2s"
    if len(pair) > 1 and pair.max() > WARNING and pair.min() < -WARNING:
        return "R 4s"
    four, ten = run[-_FOUR:], run[-_TEN:]
    if len(four) == _FOUR and (np.all(four > 1.0) or np.all(four < -1.0)):
        return "4 1s"
    if len(ten) == _TEN and (np.all(ten > 0) or np.all(ten < 0)):
        return "10 x"
    return "1 2s" if abs(last) > WARNING else ""


def moving_average(scaled: Floats) -> tuple[Floats, Floats]:
    """Give the moving average of readings, in standard deviations, and how far it may go [ROBERTS1959]."""
    average, averages = 0.0, []
    for value in scaled:
        average = _WEIGHT * value + (1.0 - _WEIGHT) * average
        averages.append(average)
    count = np.arange(1, len(scaled) + 1)
    share = _WEIGHT / (2.0 - _WEIGHT) * (1.0 - (1.0 - _WEIGHT) ** (2 * count))
    return np.array(averages), _WIDTH * np.sqrt(share)


def _drift(scaled: Floats) -> int:
    """Find where the moving average leaves its limits and stays outside to the end."""
    average, width = moving_average(scaled)
    inside = np.flatnonzero(np.abs(average) <= width)
    first = int(inside[-1]) + 1 if inside.size else 0
    return first if first < len(scaled) else -1


def spike_limit(spikes: Floats) -> float:
    """Give MDLs, the detection limit by low spikes: t(0.99, n − 1) · s; missing with fewer than seven [CFR136]."""
    if len(spikes) < LEAST_BLANKS:
        return float("nan")
    return float(stats.t.ppf(_CONFIDENCE, len(spikes) - 1) * spikes.std(ddof=1))


def blank_limit(blanks: Floats) -> float:
    """Give MDLb, the detection limit by blanks.

    Parameters
    ----------
    blanks : (n,) results of blanks; missing where nothing was found ("<"). Fewer than seven say nothing.

    Notes
    -----
    All with a number: their mean, not below 0, and t(0.99, n − 1) · s. Some of them: the highest. None: no limit by
    blanks [CFR136, appendix B, revision 2].
    """
    known = blanks[~np.isnan(blanks)]
    if len(blanks) < LEAST_BLANKS or not len(known):
        return float("nan")
    if len(known) < len(blanks):
        return float(known.max())
    return max(float(known.mean()), 0.0) + spike_limit(known)


def detection_limit(blanks: Floats, spikes: Floats) -> float:
    """Give the least amount that a method tells from nothing: the larger of MDLb and MDLs; missing without either.

    Parameters
    ----------
    blanks, spikes : (n,) results of blanks (missing: nothing found) and of low spikes.

    Notes
    -----
    It is not for pH, conductivity and titrations whose limit is a drop [CFR136, appendix B, revision 2].

    Example
    -------
    >>> round(detection_limit(np.array([]), np.array([0.52, 0.61, 0.48, 0.55, 0.57, 0.50, 0.59])), 4)
    0.1506
    """
    limits = np.array([blank_limit(blanks), spike_limit(spikes)])
    known = limits[~np.isnan(limits)]
    return float(known.max()) if len(known) else float("nan")
