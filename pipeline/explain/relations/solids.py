"""The dissolved solids of a record against its ions or its conductivity."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import (
    ANIONS,
    CATIONS,
    CHARGE,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
)
from pipeline.explain.record import ROW
from pipeline.explain.relations.relation import Relation

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.explain.readings import RowReadings
    from pipeline.explain.relations.charges import Charges

SOLIDS_PER_CONDUCTIVITY: Final = (0.50, 0.70)  # every scale of a meter is right, and nature lies there [CP, HEM1985]
SOLIDS_BEYOND: Final = 0.08  # ln (k = 1), outside that range [CP]
SOLIDS_MODEL: Final = (1.05, 0.08)  # weighed over computed: 1.0 to 1.2 [APHA1030] (ln, k = 1)
UNREAD_SILICA: Final = (10.0, 8.0)  # mg/L in the residue where nobody read it, and its spread (k = 1) [HEM1985]


def dissolved_solids(values: RowReadings, sums: Charges, electric: Relation, laboratory: Flags) -> Relation:
    """Dissolved solids against the sum of the ions where they were weighed, else against the conductivity."""
    tds, observed = values[ROW["tds"]], values[ROW["conductivity"]]
    if np.isnan(tds).all():
        return Relation(tds, {}, tds, tds)
    full = sums.full & laboratory
    rest = [ion for ion in (*CATIONS, *ANIONS) if ion in sums.meq]
    weight = {ion: MOLAR_MASS[ion] / abs(CHARGE[ion]) for ion in (*rest, "bicarbonate")}
    weight["bicarbonate"] = 0.6 * MG_CACO3_PER_MEQ  # what is left of it after evaporation [APHA1030]
    unread, doubt = UNREAD_SILICA
    silica = values[ROW["silica"]]
    summed = sum((weight[ion] * sums.meq[ion] for ion in weight), start=np.where(np.isnan(silica), unread, silica))
    measured = ~np.isnan(observed)
    carried = np.where(measured, observed, electric.predicted)
    low, high = SOLIDS_PER_CONDUCTIVITY
    share, reach = np.sqrt(low * high), np.log(high / low) / 2.0
    predicted = np.where(full, SOLIDS_MODEL[0] * summed, share * carried)
    predicted = np.where(predicted > 0, predicted, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.log(tds / predicted)
        gap = np.where(full, gap, np.sign(gap) * np.maximum(np.abs(gap) - reach, 0.0))
    by_ions: dict[int, Floats] = {}
    for ion, of in sums.slopes.items():
        for row, slope in of.items():
            by_ions[row] = by_ions.get(row, 0.0) - SOLIDS_MODEL[0] * weight[ion] * slope / predicted
    slopes = {
        row: np.where(full, slope, np.where(measured, 0.0, electric.slopes[row])) for row, slope in by_ions.items()
    }
    slopes[ROW["tds"]] = 1.0 / tds
    slopes[ROW["conductivity"]] = np.where(full | ~measured, 0.0, -1.0 / np.where(measured, observed, 1.0))
    extra = np.where(measured | full, 0.0, electric.model)
    unsaid = np.where(np.isnan(silica), doubt / summed, 0.0)
    model = np.where(full, SOLIDS_MODEL[1] ** 2 + unsaid**2, SOLIDS_BEYOND**2 + extra)
    return Relation(gap, slopes, model, predicted)
