"""One figure in two forms: hardness and its ions, alkalinity and its forms, calcium as a share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
)
from pipeline.explain.record import ROW
from pipeline.explain.relations.relation import Relation, or_zero

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.explain.readings import RowReadings
    from pipeline.explain.relations.charges import Charges

CARBONATE_PER_CACO3: Final = 2.0 * MG_CACO3_PER_MEQ / MOLAR_MASS["carbonate"]  # 1.668
FORM_MODEL: Final = 0.01  # two forms of one figure: rounding [CP]
CALCIUM_SHARE: Final = (0.78, 0.40, 0.13)  # of the hardness; below, above (ln) [HEM1985]
REPEAT_MODEL: Final = 0.02  # two readings of one bottle [CP]
ROUNDING_MODEL: Final = 0.003  # a count and its product: rounding [CP]
_MAY_MISS: Final = ("carbonate",)  # not reported below pH 8.3


def ratio(values: RowReadings, of: str, parts: dict[str, float], variance: Floats | float) -> Relation:
    """Logarithm of one reading over a weighted sum of others; missing where one of them is not read."""
    observed = values[ROW[of]]
    if np.isnan(observed).all():
        return Relation(observed, {}, observed, observed)
    predicted = np.zeros(values.shape[1])
    for name, weight in parts.items():
        part = weight * values[ROW[name]]
        predicted = predicted + (or_zero(part) if name in _MAY_MISS else part)
    usable = (predicted > 0) & (observed > 0)
    predicted, observed = np.where(usable, predicted, np.nan), np.where(usable, observed, np.nan)
    slopes = {ROW[name]: -weight / predicted for name, weight in parts.items()}
    slopes[ROW[of]] = 1.0 / observed
    return Relation(np.log(observed / predicted), slopes, np.broadcast_to(variance, predicted.shape), predicted)


def calcium_of_hardness(values: RowReadings, sums: Charges) -> Relation:
    """Calcium, or its hardness, as a share of the total where magnesium was not read: never more than all."""
    name = "calcium_hardness"
    own = ~np.isnan(values[ROW[name]])
    hardness = np.where(own, values[ROW[name]], CACO3_PER_CALCIUM * values[ROW["calcium"]])
    hardness = np.where(sums.known["magnesium"] & sums.known["calcium"], np.nan, hardness)
    if np.isnan(hardness).all():
        return Relation(hardness, {}, hardness, hardness)
    centre, below, above = CALCIUM_SHARE
    predicted = centre * values[ROW["total_hardness"]]
    usable = (predicted > 0) & (hardness > 0)
    predicted, hardness = np.where(usable, predicted, np.nan), np.where(usable, hardness, np.nan)
    gap = np.log(hardness / predicted)
    spread = np.where(gap < 0, below, above)
    slopes = {
        ROW[name]: np.where(own, 1.0 / hardness, 0.0),
        ROW["calcium"]: np.where(own, 0.0, CACO3_PER_CALCIUM / hardness),
        ROW["total_hardness"]: -centre / predicted,
    }
    shape = np.log(spread / ((below + above) / 2.0))
    return Relation(gap, slopes, spread**2, predicted / CACO3_PER_CALCIUM, shape)
