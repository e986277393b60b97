"""What chemistry and arithmetic demand of the readings of one sample, with their joint uncertainty.

Every relation gives one number per sample that is 0 when the record agrees with itself, its slope against
each reading, and what the model itself leaves open. Readings are shared: the ions of the charge balance are
those of the conductivity. So the relations are judged together, with the covariance C = J Σ Jᵀ + M that follows
from the uncertainties of the readings (Σ), the slopes (J) and the models (M) [JCGM102, 6.2]; nothing counts twice.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_MAGNESIUM,
    CHARGE,
    HCO3_PER_CACO3,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
)
from pipeline.chemistry.ion_pairs import BICARBONATE, CARBONATE, PAIR_MOBILITY, SULFATE, carbonate_share, paired
from pipeline.explain.record import ROW, ROWS, SECOND
from pipeline.reference import records

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats


RELATIONS: Final[tuple[str, ...]] = (
    "ion-balance",
    "conductivity-from-ions",
    "dissolved-solids",
    "hardness-sum",
    "calcium-hardness",
    "calcium-share",
    "alkalinity-forms",
    *(f"second {name}" for name in SECOND),
)
CATIONS: Final = ("calcium", "magnesium", "sodium", "potassium", "ammonium")
ANIONS: Final = ("chloride", "sulfate", "nitrate", "fluoride")
_CARBONATE_PER_CACO3: Final = 2.0 * MG_CACO3_PER_MEQ / MOLAR_MASS["carbonate"]  # 1.668

_MAJORS: Final = ("hardness", "sodium", "alkalinity", "chloride", "sulfate")
UNREAD_MAJOR: Final = 0.1  # meq/L that the one major ion nobody read may hold unnoticed (k = 1) [CP]

BALANCE_MODEL: Final = (0.008, 0.05)  # of the sum; meq/L of ions nobody looks for (k = 1) [CP]
UNREAD_MEQ: Final = {"potassium": 0.05, "nitrate": 0.15}  # what an ion that was not read may hold (k = 1) [CP]
FULL_MODEL: Final = 0.04  # of the conductivity of a full analysis (k = 1) [SCCOMP]
HALF_MODEL: Final = 0.08  # where one side of the charges is closed by an ion nobody read [CP]
HARDNESS_MODEL: Final = (0.13, 0.42)  # below, above: conductivity from hardness and alkalinity alone (ln) [CP]
OTHER_SALTS: Final = (
    12.6  # µS/cm of 0.1 meq/L sodium chloride: rain and air bring that much to any water [CP, APHA2510]
)
PER_MEQ: Final = (104.0, 35.0)  # µS/cm per meq/L of the larger of them, and of other salts from 1 meq/L up [CP]
SOLIDS_PER_CONDUCTIVITY: Final = (0.50, 0.70)  # every scale of a meter is right, and nature lies there [CP, HEM1985]
SOLIDS_BEYOND: Final = 0.08  # ln (k = 1), outside that range [CP]
SOLIDS_MODEL: Final = (1.05, 0.08)  # weighed over computed: 1.0 to 1.2 [APHA1030] (ln, k = 1)
UNREAD_SILICA: Final = (10.0, 8.0)  # mg/L in the residue where nobody read it, and its spread (k = 1) [HEM1985]
FORM_MODEL: Final = 0.01  # two forms of one figure: rounding [CP]
CALCIUM_SHARE: Final = (0.78, 0.40, 0.13)  # of the hardness; below, above (ln) [HEM1985]
REPEAT_MODEL: Final = 0.02  # two readings of one bottle [CP]

_MAY_MISS: Final = ("carbonate",)  # not reported below pH 8.3

_T25: Final = 25.0
_MOLAL: Final = {row["ion"]: row for row in records("conductance_mccleskey")}


def or_zero(values: Floats) -> Floats:
    """Count what was not read as nothing."""
    return np.where(np.isnan(values), 0.0, values)


def _at_25(prefix: str) -> dict[str, float]:
    return {
        ion: row[f"{prefix}_t2"] * _T25**2 + row[f"{prefix}_t1"] * _T25 + row[f"{prefix}_t0"]
        for ion, row in _MOLAL.items()
    }


_LAMBDA, _SLOPE = _at_25("lambda0"), _at_25("a")
_ROOT: Final = {ion: row["b"] for ion, row in _MOLAL.items()}


@dataclass
class Relation:
    """One relation over (m,) columns: ``gap`` (0 = agrees), ``slopes`` per row of ROWS, ``model`` variance.

    ``predicted`` is what the other readings make of the reading the relation is about, in its unit; the
    charge balance has none. ``usual`` is the model spread the density is normalised with where two sides differ.
    """

    gap: Floats
    slopes: dict[int, Floats]
    model: Floats
    predicted: Floats
    shape: Floats = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True)
class Charges:
    """Ions in meq/L (0 where not read) and which sides are complete."""

    meq: dict[str, Floats]
    slopes: dict[str, dict[int, float | Floats]]
    hardness: Floats
    alkalinity: Floats
    cations: Floats
    anions: Floats
    known: dict[str, Flags]

    @property
    def cations_known(self) -> Flags:
        """Hardness and sodium were read, or are the one major ion that was not."""
        return (self.known["hardness"] & self.known["sodium"]) | self.nearly

    @property
    def anions_known(self) -> Flags:
        """Alkalinity, chloride and sulfate were read, or are the one major ion that was not."""
        return (self.known["alkalinity"] & self.known["chloride"] & self.known["sulfate"]) | self.nearly

    @property
    def nearly(self) -> Flags:
        """Exactly one of the five majors was not read: it counts as little, and shows when it is not."""
        return np.asarray(np.sum([self.known[name] for name in _MAJORS], axis=0) == len(_MAJORS) - 1)


def charges(values: Floats) -> Charges:
    """Add the charges up as the ion balance does: the ions where read, else the titrations.

    Parameters
    ----------
    values : (r, m) readings, rows of ROWS.

    Returns
    -------
    Charges [meq/L].
    """
    per_mg = {ion: abs(CHARGE[ion]) / MOLAR_MASS[ion] for ion in (*CATIONS, *ANIONS, "bicarbonate", "carbonate")}
    read = {name: ~np.isnan(values[ROW[name]]) for name in ROWS if name in ROW}
    meq = {ion: or_zero(values[ROW[ion]]) * per_mg[ion] for ion in (*CATIONS, *ANIONS)}
    slopes: dict[str, dict[int, float | Floats]] = {ion: {ROW[ion]: per_mg[ion]} for ion in (*CATIONS[2:], *ANIONS)}
    split = read["calcium"] & read["magnesium"]
    titrated = or_zero(values[ROW["total_hardness"]]) / MG_CACO3_PER_MEQ
    hardness = np.where(split, meq["calcium"] + meq["magnesium"], titrated)
    share = np.divide(meq["calcium"], hardness, out=np.full_like(hardness, 0.75), where=split & (hardness > 0))
    calcium, magnesium = hardness * share, hardness * (1.0 - share)
    whole = ~split / MG_CACO3_PER_MEQ
    slopes["calcium"] = {ROW["calcium"]: split * per_mg["calcium"], ROW["total_hardness"]: share * whole}
    slopes["magnesium"] = {ROW["magnesium"]: split * per_mg["magnesium"], ROW["total_hardness"]: (1.0 - share) * whole}
    titrated = read["alkalinity"]
    forms = or_zero(values[ROW["bicarbonate"]]) * per_mg["bicarbonate"]
    forms = forms + or_zero(values[ROW["carbonate"]]) * per_mg["carbonate"]
    alkalinity = np.where(titrated, or_zero(values[ROW["alkalinity"]]) / MG_CACO3_PER_MEQ, forms)
    slopes["bicarbonate"] = {
        ROW["alkalinity"]: titrated / MG_CACO3_PER_MEQ,
        ROW["bicarbonate"]: ~titrated * per_mg["bicarbonate"],
        ROW["carbonate"]: ~titrated * read["carbonate"] * per_mg["carbonate"],
    }
    meq |= {"calcium": calcium, "magnesium": magnesium, "bicarbonate": alkalinity}
    cations = sum((meq[ion] for ion in CATIONS), start=values[ROW["unread cation"]])
    anions = sum((meq[ion] for ion in (*ANIONS, "bicarbonate")), start=values[ROW["unread anion"]])
    known = {**read, "hardness": split | read["total_hardness"], "alkalinity": titrated | read["bicarbonate"]}
    return Charges(meq, slopes, hardness, alkalinity, cations, anions, known)


def sides(amounts: Floats) -> tuple[Flags, Flags, Flags]:
    """Tell which samples have all cations, all anions, and all majors but one.

    Parameters
    ----------
    amounts : (r, m) readings, rows of ROWS.

    Returns
    -------
    three (m,) flags.
    """
    read = {name: ~np.isnan(amounts[row]) for name, row in ROW.items()}
    read["hardness"] = read["total_hardness"] | (read["calcium"] & read["magnesium"])
    read["alkalinity"] = read["alkalinity"] | read["bicarbonate"]
    nearly = np.asarray(np.sum([read[name] for name in _MAJORS], axis=0) == len(_MAJORS) - 1)
    cations = read["hardness"] & read["sodium"]
    return cations, read["alkalinity"] & read["chloride"] & read["sulfate"], nearly


def unread(amounts: Floats) -> npt.NDArray[np.str_]:
    """Name the one major ion that was not read, "" where none or several were not.

    Parameters
    ----------
    amounts : (r, m) readings, rows of ROWS.
    """
    _, _, nearly = sides(amounts)
    single = {
        "sodium": np.isnan(amounts[ROW["sodium"]]),
        "chloride": np.isnan(amounts[ROW["chloride"]]),
        "sulfate": np.isnan(amounts[ROW["sulfate"]]),
        "alkalinity": np.isnan(amounts[ROW["alkalinity"]]) & np.isnan(amounts[ROW["bicarbonate"]]),
    }
    named = np.select(list(single.values()), list(single), "total_hardness")
    return np.where(nearly, named, "")


def _balance(values: Floats, sums: Charges) -> Relation:
    """Cations less anions over their sum; each ion's slope is 2·(other side)/sum²."""
    total = sums.cations + sums.anions
    usable = sums.cations_known & sums.anions_known & (total > 0)
    total = np.where(usable, total, np.nan)
    plus, minus = 2.0 * sums.anions / total**2, -2.0 * sums.cations / total**2
    slopes: dict[int, Floats] = {}
    for ion, of in sums.slopes.items():
        side = plus if ion in CATIONS else minus
        for row, slope in of.items():
            slopes[row] = slopes.get(row, 0.0) + side * slope
    slopes[ROW["unread cation"]], slopes[ROW["unread anion"]] = plus, minus
    absent = sum((~sums.known[ion] * size**2 for ion, size in UNREAD_MEQ.items()), start=BALANCE_MODEL[1] ** 2)
    absent = absent + sums.nearly * UNREAD_MAJOR**2
    model = BALANCE_MODEL[0] ** 2 + absent / total**2
    return Relation((sums.cations - sums.anions) / total, slopes, model, np.full(values.shape[1], np.nan))


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


def _conductivity(values: Floats, sums: Charges) -> Relation:
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


def _solids(values: Floats, sums: Charges, electric: Relation, laboratory: Flags) -> Relation:
    """Dissolved solids against the sum of the ions where they were weighed, else against the conductivity."""
    tds, observed = values[ROW["tds"]], values[ROW["conductivity"]]
    full = sums.cations_known & sums.anions_known & laboratory
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


def _ratio(values: Floats, of: str, parts: dict[str, float], variance: Floats | float) -> Relation:
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


def _calcium_share(values: Floats, sums: Charges) -> Relation:
    """Calcium, or its hardness, as a share of the total where magnesium was not read: never more than all."""
    name = "calcium_hardness"
    own = ~np.isnan(values[ROW[name]])
    hardness = np.where(own, values[ROW[name]], CACO3_PER_CALCIUM * values[ROW["calcium"]])
    hardness = np.where(sums.known["magnesium"] & sums.known["calcium"], np.nan, hardness)
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


def evaluate(values: Floats, laboratory_tds: Flags) -> dict[str, Relation]:
    """Evaluate every relation for (m,) columns of readings.

    Parameters
    ----------
    values : (r, m) readings, rows of ROWS.
    laboratory_tds : (m,) dissolved solids were weighed or summed.

    Returns
    -------
    relations by their name; ``gap`` is missing where a relation lacks a reading.

    Notes
    -----
    Charge balance: (Σcat − Σan)/(Σcat + Σan) [APHA1030]. Conductivity: ln(read/carried), carried from ionic
    molal conductivities [MNR2012]; where only the titrations are known 104 µS/cm per meq/L of the larger, open
    upwards [CP]. Hardness 2.497 Ca + 4.118 Mg [APHA2340B]; HCO3 = 1.2193 ALK − 1.0168·2·CO3 [IUPAC2021].
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        sums = charges(values)
        electric = _conductivity(values, sums)
        found = {
            "ion-balance": _balance(values, sums),
            "conductivity-from-ions": electric,
            "dissolved-solids": _solids(values, sums, electric, laboratory_tds),
            "hardness-sum": _ratio(
                values,
                "total_hardness",
                {"calcium": CACO3_PER_CALCIUM, "magnesium": CACO3_PER_MAGNESIUM},
                FORM_MODEL**2,
            ),
            "calcium-hardness": _ratio(values, "calcium_hardness", {"calcium": CACO3_PER_CALCIUM}, FORM_MODEL**2),
            "calcium-share": _calcium_share(values, sums),
            "alkalinity-forms": _ratio(
                values,
                "alkalinity",
                {"bicarbonate": 1.0 / HCO3_PER_CACO3, "carbonate": _CARBONATE_PER_CACO3},
                FORM_MODEL**2,
            ),
        }
        for name in SECOND:
            found[f"second {name}"] = _ratio(values, f"second {name}", {name: 1.0}, REPEAT_MODEL**2)
    return found


def joint_density(found: dict[str, Relation], spread: Floats) -> tuple[Floats, Floats, Floats]:
    """Logarithm of the joint normal density of all gaps of a column, and their misfit.

    Parameters
    ----------
    found : relations over (m,) columns.
    spread : (r, m) standard uncertainty of every reading.

    Returns
    -------
    ln N(gap; 0, J Σ Jᵀ + M), the misfit gapᵀ C⁻¹ gap, and the number of relations, each (m,); relations without
    a gap add nothing.

    Notes
    -----
    Cholesky's factor of every column at once, written out row by row [JCGM102, 6.2]. Where a model has two
    sides, the density of the two half normals that meet at 0.
    """
    names = [name for name, relation in found.items() if not np.isnan(relation.gap).all()]
    size = spread.shape[1]
    log_density, misfit = np.zeros(size), np.zeros(size)
    found = {name: replace(found[name], slopes=_cleaned(found[name].slopes)) for name in names}
    told = sorted({row for relation in found.values() for row in relation.slopes})
    variance = dict(zip(told, or_zero(spread[told]) ** 2, strict=True))
    there = {name: ~np.isnan(found[name].gap) & ~np.isnan(found[name].model) for name in names}
    factor: dict[tuple[int, int], Floats] = {}
    scaled: list[Floats] = []
    for at, name in enumerate(names):
        one, rest = found[name], np.where(there[name], found[name].gap, 0.0)
        for before in range(at + 1):
            value = _covariance(one, found[names[before]], variance, size)
            if not (there[name].all() and there[names[before]].all()):
                value = np.where(there[name] & there[names[before]], value, 0.0)
            if before == at:
                value = np.where(there[name], value + one.model, 1.0)
            for column in range(before):
                value = value - factor[at, column] * factor[before, column]
            factor[at, before] = np.sqrt(np.maximum(value, 1e-12)) if before == at else value / factor[before, before]
            if before < at:
                rest = rest - factor[at, before] * scaled[before]
        scaled.append(rest / factor[at, at])
        misfit += scaled[at] ** 2
        shape = found[name].shape
        log_density -= np.where(there[name], np.log(factor[at, at]) + 0.5 * np.log(2.0 * np.pi), 0.0)
        if shape.size:
            log_density += np.where(there[name], shape, 0.0)
    count = np.sum(list(there.values()), axis=0, dtype="float64") if names else np.zeros(size)
    return log_density - 0.5 * misfit, misfit, count


def _cleaned(slopes: dict[int, Floats]) -> dict[int, Floats]:
    """Leave out rows nobody read, and let a missing slope count nothing."""
    finite = {row: np.isfinite(slope) for row, slope in slopes.items()}
    return {
        row: slope if finite[row].all() else np.where(finite[row], slope, 0.0)
        for row, slope in slopes.items()
        if finite[row].any()
    }


def _covariance(one: Relation, other: Relation, variance: dict[int, Floats], size: int) -> Floats:
    """Sum what the readings of both relations contribute."""
    total = np.zeros(size)
    for row, slope in one.slopes.items():
        if row in other.slopes:
            total += slope * other.slopes[row] * variance[row]
    return total
