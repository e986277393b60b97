"""Variances of few years each, made surer by what those of like groups say [SMYTH2004]."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from pipeline.arrays import Floats

_LEAST_GROUPS: Final = 6
_LOWEST: Final = 0.1  # of the middle variance: with eight years or more hardly ever by chance
_ROUNDS: Final = 20


def moderated(variance: Floats, freedom: Floats) -> tuple[Floats, Floats]:
    """Draw variances towards their common size, as far as they agree on one.

    Parameters
    ----------
    variance : (n,) estimates, at times below zero; NaN: none.
    freedom : (n,) degrees of freedom of each.

    Returns
    -------
    The variances, and their degrees of freedom: never more than all estimates have together. As they came, and never
    below zero, where few groups have one or most have none to speak of.
    """
    known = np.flatnonzero(np.isfinite(variance))
    middle = float(np.median(variance[known])) if len(known) >= _LEAST_GROUPS else 0.0
    if middle <= 0:
        return np.maximum(variance, 0.0), freedom
    pooled = float(freedom[known].sum())
    extra = min(_worth(np.maximum(variance[known], _LOWEST * middle), freedom[known]), pooled)
    drawn = (extra * float(np.mean(variance[known])) + freedom * variance) / (extra + freedom)
    total = np.where(np.isfinite(variance), np.minimum(freedom + extra, pooled), freedom)
    return np.maximum(drawn, 0.0), total


def _worth(variance: Floats, freedom: Floats) -> float:
    """Give the degrees of freedom that the common size of variances is worth: infinite where they differ by chance."""
    from scipy.special import polygamma, psi  # noqa: PLC0415 - scipy is imported where a trend is worked out

    logarithm = np.log(variance) - psi(freedom / 2) + np.log(freedom / 2)
    apart = float(np.var(logarithm, ddof=1) - np.mean(polygamma(1, freedom / 2)))
    return 2 * _inverse_trigamma(apart) if apart > 0 else float("inf")


def _inverse_trigamma(value: float) -> float:
    """Solve trigamma(x) = value by Newton's method on its reciprocal."""
    from scipy.special import polygamma  # noqa: PLC0415 - scipy is imported where a trend is worked out

    found = 0.5 + 1.0 / value
    for _ in range(_ROUNDS):
        at = float(polygamma(1, found))
        found += at * (1 - at / value) / float(polygamma(2, found))
    return found
