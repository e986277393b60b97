"""Units and digits: what the number may have been written in, and whether a decimal sign slipped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.registry import check
from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM, HCO3_PER_CACO3, MOLAR_MASS
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class UnitLimits:
    """Limits of the unit checks."""

    # An unclear unit matters less here: hardness without a basis is as CaCO3 nearly everywhere [CP].
    only_noted: tuple[str, ...] = ("total_hardness", "conductivity", "tds", "ph", "turbidity")
    usual_ratio: tuple[float, float] = (1.6, 4.5)  # µS/cm per mg/L as CaCO3 of ordinary water [APHA2510]
    impossible_ratio: float = 0.6  # this far below 1.6 no kit error reaches [CP]
    ph_range: tuple[float, float] = (4.0, 10.0)  # of waters a pH a tenth or ten times off is read as [CP]
    history_samples: int = 4  # of one sampling point before ten times its median says anything [CP]
    history_tolerance: float = 0.25  # [CP]
    steady_tolerance: float = 0.30  # what the other quantities may differ from their medians [CP]
    changed_factor: float = 3.0  # by which a second quantity tells of another water [CP]
    column_rows: int = 3  # ordinary rows that prove a column holds two units [CP]
    thin_us_cm: float = 100.0  # below this conductivity ratios say little [CP]


# The other thing the number may count, and what it would then be in the canonical form [IUPAC2021].
OTHER_FORM: Final[dict[str, tuple[str, float]]] = {
    "alkalinity": ("if it was written as HCO3", 1 / HCO3_PER_CACO3),
    "bicarbonate": ("if it was written as CaCO3", HCO3_PER_CACO3),
    "calcium": ("if it was written as CaCO3", 1 / CACO3_PER_CALCIUM),
    "calcium_hardness": ("if it was written as Ca", CACO3_PER_CALCIUM),
    "magnesium": ("if it was written as CaCO3", 1 / CACO3_PER_MAGNESIUM),
    "magnesium_hardness": ("if it was written as Mg", CACO3_PER_MAGNESIUM),
    "total_hardness": ("if it was written as Ca", CACO3_PER_CALCIUM),
    "nitrate": ("if it was written as N", MOLAR_MASS["nitrate"] / 14.007),
    "sulfate": ("if it was written as S", MOLAR_MASS["sulfate"] / 32.06),
}


@check(
    "ambiguous-unit",
    title="The unit and the form of the number are certain",
    source="CP",
    severity="hold",
    message="{analyte}: {why}. Read as {value:2}; {alternative}. Ask what the number counts.",
)
def ambiguous_unit(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """List readings whose unit or form had to be assumed.

    A bare "ppm" of alkalinity may count CaCO3 or HCO3, one of calcium the ion or CaCO3; the two differ
    by 22 % and by 150 %, and neither looks wrong alone.

    Parameters
    ----------
    samples : readings with `ambiguous`, the reason in words.
    limits : ``units.only_noted``: quantities for which this is a note.

    Returns
    -------
    one row per such reading (`observed` 1), one passing row for every other sample.

    Notes
    -----
    The other values follow from molar masses [IUPAC2021]: HCO3/CaCO3 1.219, CaCO3/Ca 2.497, NO3/N 4.427.
    """
    readings = samples.readings
    judged = samples.about.index if "ambiguous" in readings else samples.about.index[:0]
    unclear = readings[record.stated(readings, "ambiguous")]
    words = {code: f"{words} it is {factor:.4f} times as much" for code, (words, factor) in OTHER_FORM.items()}
    known = [code if code in OTHER_FORM else "" for code in ANALYTES]
    code = record.analyte_codes(unclear)
    factor = np.array([OTHER_FORM[name][1] if name else np.nan for name in known])[code]
    noted = np.isin(list(ANALYTES), limits.units.only_noted)[code]
    found = pd.DataFrame(
        {
            "sample_id": unclear["sample_id"].astype("str"),
            "observed": 1.0,
            "analyte": unclear["analyte"],
            "severity": record.first_that_holds(unclear.index, {"note": noted, "hold": ~noted}),
            "why": unclear.get("ambiguous", ""),
            "value": record.number(unclear, "value"),
            "alternative": pd.array([words.get(name, "no other form is known") for name in ANALYTES], dtype="str").take(
                code
            ),
            "alternative_value": record.number(unclear, "value") * factor,
        }
    )
    return record.with_passing(found.assign(low=np.nan, high=0.0), judged)


@check(
    "factor-ten",
    title="No digit and no decimal sign was lost",
    source="CP",
    severity="hold",
    message="{analyte}: {observed:2}, but {why} {expected}; {alternative}: {alternative_value:2} would fit.",
)
def factor_ten(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Find one value ten times off while all else of the record agrees.

    "7,4" read as 74, a zero too many, a figure dropped in typing: the neighbours give it away.

    Parameters
    ----------
    samples : `ph`, conductivity, total hardness, alkalinity; `site` and `stage` for the history.
    limits : ``units``.

    Returns
    -------
    one row per value found ten times off (`observed`, and the range it should lie in), one passing row
    for every other sample that could be judged.

    Notes
    -----
    Rules: pH above 14 or below 1.4 with a plausible tenth or tenfold; hardness or alkalinity of which the
    conductivity carries less than 0.6 µS/cm per mg/L as CaCO3 (1.6 is the physical floor [APHA2510]) while
    the other one fits; a value ten times or a tenth of the median of its own sampling point while two other
    quantities stay within 30 % of theirs [CP]. Softened or salty water cannot meet any of them.
    """
    parts = [
        _ph(samples, limits),
        _against_conductivity(samples, limits, "total_hardness", "alkalinity"),
        _against_conductivity(samples, limits, "alkalinity", "total_hardness"),
        _against_history(samples, limits),
    ]
    found = pd.concat(parts, ignore_index=True)
    found = found.assign(expected=record.range_words(found["low"], found["high"], record.outside(found)))
    measured = samples.measured
    judged = measured["ph"].notna().to_numpy() | ~np.isnan(measured[_JUDGED].to_numpy()).any(axis=1)
    return record.with_passing(found, samples.about.index[judged])


_JUDGED: Final[list[str]] = ["conductivity_us_cm_25c", "total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]


def _ph(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    ph = samples.measured["ph"]
    lowest, highest = limits.units.ph_range
    too_high = ph.between(10 * lowest, 10 * highest)
    ph = ph[too_high | ph.between(lowest / 10, highest / 10)]
    high = ph >= 10 * lowest
    return pd.DataFrame(
        {
            "sample_id": ph.index,
            "observed": ph.to_numpy(),
            "low": np.where(high, np.nan, lowest),
            "high": np.where(high, highest, np.nan),
            "analyte": "ph",
            "why": "the pH of a water is",
            "alternative": "the decimal sign was lost",
            "alternative_value": np.where(high, ph / 10, ph * 10),
        }
    )


def _against_conductivity(samples: SampleTable, limits: Limits, code: str, other: str) -> pd.DataFrame:
    conductivity = samples.measured["conductivity_us_cm_25c"]
    value = samples.measured[f"{code}_mg_l_caco3"]
    neighbour = samples.measured[f"{other}_mg_l_caco3"]
    lowest, highest = limits.units.usual_ratio
    ratio = (conductivity / value).where(value > 0)
    fits = (conductivity / neighbour.where(neighbour > 0)).between(lowest, highest)
    suspect = fits & (ratio < limits.units.impossible_ratio) & (ratio * 10).between(lowest, highest)
    value = value[suspect]
    return pd.DataFrame(
        {
            "sample_id": value.index,
            "observed": value.to_numpy(),
            "low": np.nan,
            "high": (conductivity[suspect] / lowest).to_numpy(),
            "analyte": code,
            "why": f"conductivity and {other.replace('_', ' ')} put it",
            "alternative": "a digit too many",
            "alternative_value": (value / 10).to_numpy(),
        }
    )


_STEADY: Final[list[str]] = [
    "conductivity_us_cm_25c",
    "tds_mg_l",
    "total_hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "calcium_mg_l",
    "sodium_mg_l",
    "chloride_mg_l",
    "sulfate_mg_l",
]


def _against_history(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Compare each quantity with the median of its sampling point, in powers of ten."""
    about = samples.about
    place = record.text(about, "client") + "|" + record.text(about, "site")
    key = place + "|" + record.text(about, "sampling_point") + "|" + record.text(about, "stage")
    group = pd.factorize(key)[0]
    enough = (np.bincount(group, minlength=1)[group] >= limits.units.history_samples) & (place != "|").to_numpy()
    values = samples.measured.loc[enough, _STEADY]
    values = values.where(values > 0)
    medians = values.groupby(group[enough]).transform("median")
    ratio = values.to_numpy() / medians.to_numpy()
    tolerance = limits.units.history_tolerance
    slipped = (np.abs(ratio / 10 - 1) <= tolerance) | (np.abs(ratio * 10 - 1) <= tolerance)
    steady = (np.abs(ratio - 1) <= limits.units.steady_tolerance).sum(axis=1)
    # One quantity off, two others say that it is this water, and none that it has become another (a softener).
    far = (np.maximum(ratio, 1 / ratio) > limits.units.changed_factor).sum(axis=1)
    slipped &= ((slipped.sum(axis=1) == 1) & (steady >= 2) & (far == 1))[:, None]  # noqa: PLR2004 -- see above
    row, column = np.nonzero(slipped)
    value, median = values.to_numpy()[row, column], medians.to_numpy()[row, column]
    return pd.DataFrame(
        {
            "sample_id": values.index[row],
            "observed": value,
            "low": median * (1 - limits.units.steady_tolerance),
            "high": median * (1 + limits.units.steady_tolerance),
            "analyte": pd.Series(_STEADY, dtype="str").take(column).to_numpy(),
            "why": "other samples of this point put it",
            "alternative": record.first_that_holds(
                pd.RangeIndex(len(row)), {"a digit too many": value > median, "a digit lost": value < median}
            ),
            "alternative_value": np.where(value > median, value / 10, value * 10),
        }
    )
