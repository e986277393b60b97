"""The share of raw water in the product, solved back from what was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.treat.advice import Range
from pipeline.verify.change_points import CHI2_95
from pipeline.verify.promised import ALL, PROMISED

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Floats
    from pipeline.verify.causes import Readings
    from pipeline.verify.promised import Promise

FINE: Final = np.linspace(0.0, 1.0, 1001)
_LEAST_CHANGE: Final = 2.0  # a quantity tells of the bypass if treatment moves it by twice its uncertainty (k = 1)


@dataclass(frozen=True)
class Bypass:
    """The share that explains all quantities best, the share from each alone, and whether these agree."""

    best: Range
    by: Mapping[str, Range]
    agrees: bool | None

    @property
    def known(self) -> bool:
        """Whether any quantity tells it."""
        return bool(np.isfinite(self.best.value))


def solve_bypass(promised: Promise, readings: Readings) -> Bypass:
    """Solve the share of raw water back from hardness, alkalinity, conductivity and the ions.

    Parameters
    ----------
    promised : what comes out for every share.
    readings : of the visit.

    Returns
    -------
    Bypass: shares of 1, ranges k = 2. A quantity speaks where the treatment moves it by more than its
    uncertainty; its range is empty (missing) where no share explains it.

    Notes
    -----
    For one quantity b = (out - leak) / (in - leak), its range all b with
    |f(b) - out| ≤ √(U_f(b)² + U_out²). For all of them the least χ², and the b within 3.84 of it.
    """
    value, spread = promised.at(FINE)
    after = readings.after.reindex(list(ALL)).to_numpy(dtype="float64")
    width = np.hypot(spread, readings.after_u.to_numpy(dtype="float64")[None])
    gap = value - after[None]
    speaks = _speaks(value, width, after) if promised.shared else []
    by = {ALL[place]: _alone(gap[:, place], width[:, place]) for place in speaks}
    if not speaks:
        return Bypass(Range(np.nan, np.nan, np.nan, "1"), by, None)
    standard = width[:, speaks] / 2
    chi2 = np.sum((gap[:, speaks] / standard) ** 2, axis=1)
    near = FINE[chi2 - chi2.min() <= CHI2_95]
    best = Range(float(FINE[int(np.argmin(chi2))]), float(near.min()), float(near.max()), "1")
    lows = [one.low for one in by.values()]
    highs = [one.high for one in by.values()]
    agrees = None if len(by) < 2 else bool(max(lows) <= min(highs))  # noqa: PLR2004 - one agrees with itself
    return Bypass(best, by, agrees)


def _speaks(value: Floats, width: Floats, after: Floats) -> list[int]:
    change = np.abs(value[-1] - value[0])
    own = np.min(width, axis=0) / 2
    told = np.isfinite(after) & np.isfinite(change) & (change > _LEAST_CHANGE * own)
    return [place for place in range(len(PROMISED)) if told[place]]


def _alone(gap: Floats, width: Floats) -> Range:
    within = FINE[np.abs(gap) <= width]
    if not len(within):
        return Range(np.nan, np.nan, np.nan, "1")
    return Range(float(FINE[int(np.argmin(np.abs(gap)))]), float(within.min()), float(within.max()), "1")
