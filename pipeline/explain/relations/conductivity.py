"""The conductivity of a record against what its ions carry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.conductance import molal_conductivities
from pipeline.chemistry.equivalents import CATIONS, CHARGE
from pipeline.chemistry.ion_pairs import PAIRS, free_ions
from pipeline.explain.record import ROW, UNREAD
from pipeline.explain.relations.relation import Relation

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.explain.readings import RowReadings
    from pipeline.explain.relations.charges import Charges

FULL_MODEL: Final = (0.04, 1.0, 5.0)  # of the conductivity of a full analysis; µS/cm below, and above, where ions
# that nobody looks for (ammonium, organic acids) carry what 0.05 meq/L of salts does [SCCOMP, CP]
CLOSED_MODEL: Final = (0.03, 0.20)  # of the share that ions nobody read carry: one of them, or which is not known [CP]
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


@dataclass(frozen=True)
class CarriedByIons:
    """What the ions of (m,) records carry, whatever was read of the conductivity.

    Attributes
    ----------
    predicted : µS/cm; missing where neither the ions nor the titrations are known.
    slopes : of its logarithm against each reading, with the sign it has in the relation.
    below, above : standard deviation (ln) below and above the prediction.
    """

    predicted: Floats
    slopes: dict[int, Floats]
    below: Floats
    above: Floats

    def take(self, at: Places) -> CarriedByIons:
        """Give what is carried in chosen records, each as often as it is named."""
        slopes = {row: slope.take(at) for row, slope in self.slopes.items()}
        return CarriedByIons(self.predicted.take(at), slopes, self.below.take(at), self.above.take(at))


def carried_conductivity(values: RowReadings, sums: Charges) -> Relation:
    """Logarithm of conductivity over what the ions carry: all of them, one side closed, or the titrations alone."""
    return conductivity_over(values[ROW["conductivity"]], carried_by_ions(values, sums))


def conductivity_over(observed: Floats, carried: CarriedByIons) -> Relation:
    """Logarithm of a conductivity that was read over what the ions carry."""
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.log(observed / carried.predicted)
    slopes = {**carried.slopes, ROW["conductivity"]: 1.0 / observed}
    spread, usual = np.where(gap < 0, carried.below, carried.above), (carried.below + carried.above) / 2.0
    return Relation(gap, slopes, spread**2, carried.predicted, np.log(spread / usual))


def carried_by_ions(values: RowReadings, sums: Charges) -> CarriedByIons:
    """Give what the ions carry: all of them, one side closed, or about that much by the titrations alone."""
    full, half = sums.full, sums.open_anions | sums.open_cations
    cation, anion = _closing(sums)
    lack = sums.lack
    closed = dict(sums.meq)
    for side, names in ((sums.open_cations, cation), (sums.open_anions, anion)) if lack.any() else ():
        for ion, chosen in names.items():
            closed[ion] = closed[ion] + np.where(side & chosen, lack, 0.0)
    carried, each = _carried(closed, values[ROW["ph"]])
    each["unread cation"], each["unread anion"] = (
        sum((np.where(chosen, each[ion], 0.0) for ion, chosen in names.items()), start=np.zeros(1))
        for names in (cation, anion)
    )
    carried = carried + sum(values[ROW[name]] * each[name] for name in UNREAD)
    larger = np.maximum(sums.cations, sums.anions)
    broad = ~full & ~half & (sums.known["hardness"] | sums.known["alkalinity"])
    predicted = np.select(
        [full | half, broad], [carried, PER_MEQ[0] * larger + PER_MEQ[1] * larger / (1.0 + larger)], np.nan
    )
    predicted = np.where(predicted > 0, predicted, np.nan)
    slopes = _conductivity_slopes(sums, each, lack > 0.0, broad)
    unknown = np.where(sums.single, *CLOSED_MODEL) * lack * np.maximum(each["unread cation"], each["unread anion"])
    relative, lower, upper = FULL_MODEL
    low, high = HARDNESS_MODEL
    with np.errstate(invalid="ignore"):
        below, above = (np.hypot(relative, (unknown + end) / predicted) for end in (lower, upper))
        above = np.where(full | half, above, np.hypot(high, np.log1p(OTHER_SALTS / predicted)))
    return CarriedByIons(
        predicted=predicted,
        slopes={row: -slope / predicted for row, slope in slopes.items()},
        below=np.where(full | half, below, low),
        above=above,
    )


def _closing(sums: Charges) -> tuple[dict[str, Flags], dict[str, Flags]]:
    """Choose the ion that what was not read is taken for: the major that is missing, the commonest first."""
    hard = ~sums.known["hardness"] & sums.known["sodium"]
    alkaline, sulfate = ~sums.known["alkalinity"], ~sums.known["sulfate"] & sums.known["chloride"]
    return (
        {"calcium": hard, "sodium": ~hard},
        {"bicarbonate": alkaline, "sulfate": ~alkaline & sulfate, "chloride": ~alkaline & ~sulfate},
    )


def _conductivity_slopes(sums: Charges, each: dict[str, Floats], closed: Flags, broad: Flags) -> dict[int, Floats]:
    """Give µS/cm per unit of each reading; an ion whose side is complete counts twice where the other one is closed."""
    cations_lead = sums.cations >= sums.anions
    closing = np.where(sums.open_anions, each["unread anion"], each["unread cation"])
    one_closed, some_broad = closed.any(), broad.any()
    slopes: dict[int, Floats] = {}
    for ion, of in sums.slopes.items():
        complete = sums.open_anions if ion in CATIONS else sums.open_cations
        leads = cations_lead if ion in CATIONS else ~cations_lead
        per_meq = each[ion]
        if one_closed:
            per_meq = np.where(closed, each[ion] + np.where(complete, closing, -closing), per_meq)
        if some_broad:
            per_meq = np.where(broad, np.where(leads, PER_MEQ[0], 0.0), per_meq)
        for row, slope in of.items():
            slopes[row] = slopes.get(row, 0.0) + per_meq * slope
    for name in UNREAD:
        slopes[ROW[name]] = np.where(broad | closed, 0.0, each[name])
    return slopes
