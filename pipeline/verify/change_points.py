"""Does a short series stand still, step, or bend? How probable each is, and where it happened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from pipeline.arrays import Floats


GRID: Final = 241  # places of a bend that are tried between the first and the last point
CHI2_95: Final = 3.841  # 95 % of chi-square with one degree of freedom [AS1964]
_BEND_PARAMETERS: Final = 3  # level, rise and place


@dataclass(frozen=True)
class Bend:
    """A level that holds up to a place and rises or falls steadily from there.

    ``place low high`` are along the series, ``low`` and ``high`` the 95 % range; ``slope`` per unit of it.
    """

    place: float
    low: float
    high: float
    level: float
    slope: float


@dataclass(frozen=True)
class Step:
    """A level that jumps between two points, ``low`` and ``high``."""

    place: float
    low: float
    high: float
    level: float
    jump: float


@dataclass(frozen=True)
class FittedCourse:
    """How probable each shape is (``still bend step odd`` sum to 1), and the best of each.

    ``level`` of standing still with its standard uncertainty; ``odd`` the place in the series of the point
    that stands apart.
    """

    still: float
    bend: float
    step: float
    odd: float
    level: float
    level_u: float
    best_bend: Bend
    best_step: Step
    odd_point: int


@dataclass(frozen=True)
class Prior:
    """How common the shapes are before a series is looked at."""

    still: float
    bend: float
    step: float
    odd: float


def course(x: Floats, y: Floats, u: Floats, prior: Prior, rises: int = 1) -> FittedCourse:
    """Weigh four shapes of a series against each other.

    A handful of field readings carries a story only if it is weighed against chance: a single high count
    at the end is an odd reading until a second one says the same.

    Parameters
    ----------
    x : (n,) places, increasing; litres or days.
    y : (n,) shares, about 0 to 1.
    u : (n,) standard uncertainty (k = 1) of ``y``.
    prior : how common each shape is.
    rises : +1 where a bend goes up, -1 where it goes down.

    Returns
    -------
    Course.

    Raises
    ------
    ValueError : fewer than three points, or points out of order.

    Notes
    -----
    Each shape is a straight-line model given its place: likelihood exp(-χ²/2), its level and rise integrated
    over 0 to 1 (a step over -1 to 1, an odd point over 0 to 1) in closed form, its place averaged over the
    series. The range of a bend is where χ² stays within 3.84 of its least, χ² divided by its reduced value
    where that exceeds 1 [JCGM100].
    """
    if len(x) < 3 or np.any(np.diff(x) < 0):  # noqa: PLR2004 - a level and a change
        raise ValueError("at least three points in order are needed")
    still, level, level_u = _still(y, u)
    bend, best_bend = _bend(x, y, u, rises)
    step, best_step = _step(x, y, u)
    odd, odd_point = _odd(y, u)
    weight = np.array([still, bend, step, odd]) + np.log([prior.still, prior.bend, prior.step, prior.odd])
    share = np.exp(weight - weight.max())
    a, b, c, d = (share / share.sum()).tolist()
    return FittedCourse(a, b, c, d, level, level_u, best_bend, best_step, odd_point)


def reaches(x: Floats, y: Floats, u: Floats, bend: Bend, target: float) -> tuple[float, float, float]:
    """Say where the bent line comes to a value, with what the range of the bend allows.

    Parameters
    ----------
    x, y, u : the series, as for `course`.
    bend : its bend.
    target : value of ``y``, on the side the line goes to.

    Returns
    -------
    best, lowest and highest place; infinite where a line that is allowed never comes there.

    Notes
    -----
    The level and the slope are fitted anew for 21 places of the bend within its range; the line goes on
    past the last point.

    Example
    -------
    >>> x = np.array([0.0, 400.0, 800.0, 1200.0, 1500.0])
    >>> y = np.array([4.0, 4.0, 4.0, 4.8, 5.4])
    >>> best, _, _ = reaches(x, y, np.full(5, 0.05), Bend(800.0, 780.0, 820.0, 4.0, 0.002), 6.0)
    >>> round(best)
    1801
    """
    places = np.append(np.linspace(bend.low, bend.high, 21), bend.place)
    ramp = np.maximum(x[None] - places[:, None], 0.0) / (x[-1] - places[:, None])
    found, _, _ = _solve(np.stack([np.ones_like(ramp), ramp], axis=2), y, u)
    slope = found[:, 1] / (x[-1] - places)
    toward = slope * np.sign(target - bend.level) > 0
    away = np.divide(target - found[:, 0], slope, out=np.full(len(slope), np.inf), where=toward)
    at = places + np.maximum(away, 0.0)
    return float(at[-1]), float(at.min()), float(at.max())


def _solve(columns: Floats, y: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
    """Fit (places, n, p) columns by weighted least squares: coefficients, their covariance, χ² per place."""
    weighted = columns / u[None, :, None]
    normal = np.swapaxes(weighted, 1, 2) @ weighted
    # A bend close to the last point leaves its rise open: the range of about 1 it may have closes it.
    covariance = np.linalg.inv(normal + np.eye(columns.shape[2])[None])
    right = np.swapaxes(weighted, 1, 2) @ (y / u)[None, :, None]
    found = (covariance @ right)[..., 0]
    residual = (y / u)[None] - (weighted @ found[..., None])[..., 0]
    chi2: Floats = np.sum(residual**2, axis=1)
    return found, np.asarray(covariance, dtype="float64"), chi2


def _within(value: Floats, spread: Floats, low: float, high: float) -> Floats:
    """Give the share of a normal distribution that lies between two bounds."""
    from scipy.special import ndtr  # noqa: PLC0415 - heavy, and only histories need it

    inside: Floats = np.maximum(ndtr((high - value) / spread) - ndtr((low - value) / spread), 1e-12)
    return inside


def _log_mean(values: Floats) -> float:
    top = float(values.max())
    return top + float(np.log(np.mean(np.exp(values - top))))


def _still(y: Floats, u: Floats) -> tuple[float, float, float]:
    weight = 1 / u**2
    level_u = float(np.sqrt(1 / weight.sum()))
    level = float((weight * y).sum() / weight.sum())
    chi2 = float((((y - level) / u) ** 2).sum())
    return -chi2 / 2 + float(np.log(np.sqrt(2 * np.pi) * level_u)), level, level_u


def _bend(x: Floats, y: Floats, u: Floats, rises: int) -> tuple[float, Bend]:
    places = np.linspace(x[0], x[-1], GRID)[:-1]
    ramp = np.maximum(x[None] - places[:, None], 0.0) / (x[-1] - places[:, None])
    columns = np.stack([np.ones_like(ramp), rises * ramp], axis=2)
    found, covariance, chi2 = _solve(columns, y, u)
    spread = np.sqrt(covariance[:, 1, 1])
    inside = _within(found[:, 1], spread, 0.0, 1.0)
    volume = 2 * np.pi * np.sqrt(np.linalg.det(covariance)) * inside
    # A rise below zero is no bend: the best level without one is the χ² that counts there.
    flat = float((((y - _still(y, u)[1]) / u) ** 2).sum())
    profile = np.where(found[:, 1] > 0, chi2, flat)
    best = int(np.argmin(profile))
    free = max(len(x) - _BEND_PARAMETERS, 1)
    allowed = CHI2_95 * max(1.0, float(profile[best]) / free)
    near = places[profile - profile[best] <= allowed]
    return _log_mean(-chi2 / 2 + np.log(volume)), Bend(
        float(places[best]),
        float(near.min()),
        float(near.max()),
        float(found[best, 0]),
        float(rises * found[best, 1] / (x[-1] - places[best])),
    )


def _step(x: Floats, y: Floats, u: Floats) -> tuple[float, Step]:
    after = np.arange(1, len(x))
    jumped = (np.arange(len(x))[None] >= after[:, None]).astype("float64")
    found, covariance, chi2 = _solve(np.stack([np.ones_like(jumped), jumped], axis=2), y, u)
    inside = _within(found[:, 1], np.sqrt(covariance[:, 1, 1]), -1.0, 1.0)
    volume = 2 * np.pi * np.sqrt(np.linalg.det(covariance)) * inside / 2
    best = int(np.argmin(chi2))
    low, high = float(x[best]), float(x[best + 1])
    return _log_mean(-chi2 / 2 + np.log(volume)), Step(
        (low + high) / 2, low, high, float(found[best, 0]), float(found[best, 1])
    )


def _odd(y: Floats, u: Floats) -> tuple[float, int]:
    """Let one point be anything from 0 to 1 and the others stand still."""
    logs = np.array([_still(np.delete(y, i), np.delete(u, i))[0] + np.log(u[i]) for i in range(len(y))])
    # The dropped point's own density, 1 / (u √(2π)), is what the other shapes carry for it.
    logs = logs + np.log(np.sqrt(2 * np.pi))
    return _log_mean(logs), int(np.argmax(logs))
