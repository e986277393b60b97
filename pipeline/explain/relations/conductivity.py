"""The conductivity of a record against what its ions carry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.conductance import molal_conductivities
from pipeline.chemistry.equivalents import CATIONS, CHARGE
from pipeline.chemistry.ion_pairs import PAIRS, free_ions
from pipeline.explain.record import ROW
from pipeline.explain.relations.balance import UNREAD_MAJOR
from pipeline.explain.relations.relation import Relation

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.explain.relations.charges import Charges

FULL_MODEL: Final = 0.04  # of the conductivity of a full analysis (k = 1) [SCCOMP]
HALF_MODEL: Final = 0.08  # where one side of the charges is closed by an ion nobody read [CP]
HARDNESS_MODEL: Final = (0.13, 0.42)  # below, above: conductivity from hardness and alkalinity alone (ln) [CP]
OTHER_SALTS: Final = (
    12.6  # µS/cm of 0.1 meq/L sodium chloride: rain and air bring that much to any water [CP, APHA2510]
)
PER_MEQ: Final = (104.0, 35.0)  # µS/cm per meq/L of the larger of them, and of other salts from 1 meq/L up [CP]
_PH_RANGE: Final = (0.0, 14.0)


def _carried(meq: dict[str, Floats], ph: Floats) -> tuple[Floats, dict[str, Floats]]:
    """Conductivity the ions carry, pairs taken off [µS/cm], and what one meq/L of each adds [CRC97, PHREEQC3]."""
    totals = {ion: values / abs(CHARGE[ion]) for ion, values in meq.items()}
    totals["alkalinity"] = totals.pop("bicarbonate")
    usable = np.where((ph >= _PH_RANGE[0]) & (ph <= _PH_RANGE[1]), ph, np.nan)
    free = free_ions(totals, usable, np.zeros(1))
    molal = molal_conductivities(free.strength)
    total = np.sum([molal[ion] * amount for ion, amount in free.amounts.items()], axis=0)
    adds = {ion: molal[ion] for ion in (*totals, "bicarbonate", "carbonate") if ion in molal}
    for (metal, anion), shares in free.taken.items():
        loss = molal[metal] + molal[anion] - molal.get(PAIRS[metal, anion], 0.0)
        for ion, share in zip((metal, anion), shares, strict=True):
            adds[ion] = adds[ion] - share * loss
    carbonate, bicarbonate = free.amounts["carbonate"], free.amounts["bicarbonate"]
    ratio = np.divide(carbonate, bicarbonate, out=np.zeros_like(bicarbonate), where=bicarbonate > 0.0)
    adds["bicarbonate"] = (adds["bicarbonate"] + ratio * adds["carbonate"]) / (1.0 + 2.0 * ratio)
    return floats(total), {ion: floats(adds[ion] / abs(CHARGE[ion])) for ion in meq}


def carried_conductivity(values: Floats, sums: Charges) -> Relation:
    """Logarithm of conductivity over what the ions carry: all of them, one side closed, or the titrations alone."""
    observed = values[ROW["conductivity"]]
    full = sums.cations_known & sums.anions_known
    half = ~full & (sums.cations_known | sums.anions_known)
    lack = sums.cations - sums.anions
    closed = {
        **sums.meq,
        "sodium": sums.meq["sodium"] + half * np.maximum(-lack, 0.0),
        "chloride": sums.meq["chloride"] + half * np.maximum(lack, 0.0),
    }
    carried, each = _carried(closed, values[ROW["ph"]])
    carried = carried + values[ROW["unread cation"]] * each["sodium"] + values[ROW["unread anion"]] * each["chloride"]
    larger = np.maximum(sums.cations, sums.anions)
    broad = ~full & ~half & (sums.known["hardness"] | sums.known["alkalinity"])
    predicted = np.select(
        [full | half, broad], [carried, PER_MEQ[0] * larger + PER_MEQ[1] * larger / (1.0 + larger)], np.nan
    )
    predicted = np.where(predicted > 0, predicted, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.log(observed / predicted)
    slopes = _conductivity_slopes(sums, each, half, broad)
    slopes = {row: -slope / predicted for row, slope in slopes.items()}
    slopes[ROW["conductivity"]] = 1.0 / observed
    low, high = HARDNESS_MODEL
    with np.errstate(invalid="ignore"):
        above = np.hypot(high, np.log1p(OTHER_SALTS / predicted))
    one_sided = np.where(gap < 0, low, above)
    lacking = np.hypot(FULL_MODEL, sums.nearly * UNREAD_MAJOR * each["sodium"] / predicted)
    spread = np.select([full, half], [lacking, HALF_MODEL], one_sided)
    usual = np.select([full, half], [lacking, HALF_MODEL], (low + above) / 2.0)
    return Relation(gap, slopes, spread**2, predicted, np.log(spread / usual))


def _conductivity_slopes(sums: Charges, each: dict[str, Floats], half: Flags, broad: Flags) -> dict[int, Floats]:
    """Give µS/cm per unit of each reading; where a side is closed only the heavier side counts, twice."""
    cations_lead = sums.cations >= sums.anions
    slopes: dict[int, Floats] = {}
    for ion, of in sums.slopes.items():
        leads = cations_lead if ion in CATIONS else ~cations_lead
        closing = each["chloride"] if ion in CATIONS else each["sodium"]
        alone = np.where(leads, PER_MEQ[0], 0.0)
        both = each[ion] + np.where(leads, closing, -closing)
        per_meq = np.where(broad, alone, np.where(half, both, each[ion]))
        for row, slope in of.items():
            slopes[row] = slopes.get(row, 0.0) + per_meq * slope
    slopes[ROW["unread cation"]] = np.where(broad, 0.0, each["sodium"])
    slopes[ROW["unread anion"]] = np.where(broad, 0.0, each["chloride"])
    return slopes
