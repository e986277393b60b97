"""Whether conductivity follows the temperature of the samples of a source, as it does where no meter compensates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.compensation import factor_to_25c
from pipeline.explain.record import ROW
from pipeline.explain.relations.evaluate import evaluate

if TYPE_CHECKING:
    from pipeline.arrays import Floats, Places
    from pipeline.explain.record import Record

_LEAST_SCATTER: Final = 0.03  # ln, of conductivity over what the ions carry, between samples of one source (k = 1) [CP]
_FEWEST: Final = 5  # samples before their scatter is known [CP]


def against_uncompensated(record: Record, source: Places) -> Floats:
    """Give the logarithm of how much less likely each source is to be uncompensated than compensated, 0 at most.

    Every sample of a source may carry more than its ions say, by the same share: that hides whether conductivity was
    brought to 25 °C. How the share changes with temperature does not: it falls by 2 % a degree or not at all.

    Parameters
    ----------
    record : (n,) samples.
    source : (n,) number of each sample's source.

    Returns
    -------
    one value per source; 0 where fewer than five samples have temperature and conductivity.

    Notes
    -----
    y = ln(conductivity read/carried) and x = ln(conductivity at 25 °C/at the sample's temperature [ISO7888]), both from
    the mean of the source: Σ (y² − (y + x)²)/2s² is the log likelihood ratio of y = −x + noise against y = noise,
    with s² from the line of the two that fits better.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        share = evaluate(record.amounts, record.laboratory_tds, record.reckoned)["conductivity-from-ions"].gap
    steps = np.log(factor_to_25c(pd.Series(record.amounts[ROW["temperature"]])).to_numpy(dtype="float64"))
    known = np.flatnonzero(np.isfinite(share) & np.isfinite(steps))
    group, size = source[known], np.bincount(source[known], minlength=source.max(initial=-1) + 1)

    def squares(values: Floats) -> Floats:
        total = np.bincount(group, weights=values, minlength=size.size)
        apart = values - (total / np.maximum(size, 1))[group]
        return np.bincount(group, weights=apart**2, minlength=size.size).astype("float64")

    level, following = squares(share[known]), squares(share[known] + steps[known])
    scatter = np.maximum(np.minimum(level, following) / np.maximum(size - 1, 1), _LEAST_SCATTER**2)
    ratio = np.minimum((level - following) / (2.0 * scatter), 0.0)
    return np.where(size >= _FEWEST, ratio, 0.0)
