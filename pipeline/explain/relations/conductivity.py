"""The conductivity of a record against what its ions carry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import (
    CATIONS,
    CHARGE,
)
from pipeline.chemistry.ion_pairs import BICARBONATE, CARBONATE, PAIR_MOBILITY, SULFATE, carbonate_share, paired
from pipeline.explain.record import ROW
from pipeline.explain.relations.balance import UNREAD_MAJOR
from pipeline.explain.relations.relation import Relation
from pipeline.reference import records

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
_T25: Final = 25.0
_MOLAL: Final = {row["ion"]: row for row in records("conductance_mccleskey")}


def _at_25(prefix: str) -> dict[str, float]:
    return {
        ion: row[f"{prefix}_t2"] * _T25**2 + row[f"{prefix}_t1"] * _T25 + row[f"{prefix}_t0"]
        for ion, row in _MOLAL.items()
    }


_LAMBDA, _SLOPE = _at_25("lambda0"), _at_25("a")
_ROOT: Final = {ion: row["b"] for ion, row in _MOLAL.items()}


def _carried(meq: dict[str, Floats], ph: Floats) -> tuple[Floats, dict[str, Floats]]:
    """Conductivity of the ions less what goes about as pairs [µS/cm], and what one meq/L of each adds [MNR2012]."""
    molar = {ion: values / abs(CHARGE[ion]) for ion, values in meq.items()}
    strength = sum((CHARGE[ion] ** 2 * values for ion, values in molar.items()), start=np.zeros(1)) / 2000.0
    root = np.sqrt(np.maximum(strength, 0.0))
    each = {ion: (_LAMBDA[ion] - _SLOPE[ion] * root / (1.0 + _ROOT[ion] * root)) / abs(CHARGE[ion]) for ion in meq}
    total = sum((each[ion] * values for ion, values in meq.items()), start=np.zeros(1))
    metal, sulfate = (molar["calcium"] + molar["magnesium"]) / 1000.0, molar["sulfate"] / 1000.0
    pairs, by_metal, by_sulfate = paired(metal, sulfate, strength, SULFATE, 8.0)
    alkalinity, left = molar["bicarbonate"] / 1000.0, metal - pairs
    single, by_left, by_alkalinity = paired(left, alkalinity, strength, BICARBONATE, 4.0)
    constant = CARBONATE * carbonate_share(ph, strength)
    neutral, by_rest, by_half = paired(left - single, alkalinity / 2.0, strength, constant, 8.0)
    lost = 2.0 * (each["calcium"] + each["sulfate"])
    lost_single = 2.0 * each["calcium"] + (1.0 - PAIR_MOBILITY) * each["bicarbonate"]
    lost_neutral = 2.0 * (each["calcium"] + each["bicarbonate"])
    of_metal = lost * by_metal + (1.0 - by_metal) * (lost_single * by_left + lost_neutral * (1.0 - by_left) * by_rest)
    of_alkalinity = lost_single * by_alkalinity + lost_neutral * by_half / 2.0
    for ion, less in (
        ("calcium", of_metal / 2.0),
        ("magnesium", of_metal / 2.0),
        ("sulfate", lost * by_sulfate / 2.0),
        ("bicarbonate", of_alkalinity),
    ):
        each[ion] = each[ion] - less
    return total - 1000.0 * (pairs * lost + single * lost_single + neutral * lost_neutral), each


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
