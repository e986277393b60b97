"""Units and digits: what the number may have been written in, and whether a decimal sign slipped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import evidence, record
from pipeline.checks.columns import either, outside, range_words, stacked_cases, within
from pipeline.checks.forms import settlement
from pipeline.checks.registry import check
from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_MAGNESIUM,
    HCO3_PER_CACO3,
    NITRATE_PER_NITROGEN,
    SULFATE_PER_SULFUR,
)
from pipeline.texts import TextColumn, numbered
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.checks.columns import Cases
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
    "nitrate": ("if it was written as N", NITRATE_PER_NITROGEN),
    "sulfate": ("if it was written as S", SULFATE_PER_SULFUR),
}


@check(
    "ambiguous-unit",
    title="The unit and the form of the number are certain",
    source="CP",
    limits=UnitLimits,
    severity="hold",
    message="{analyte}: {why}. Read as {value:2}; {alternative}. {settlement}",
)
def ambiguous_unit(samples: SampleTable, limits: UnitLimits) -> Cases:
    """List readings whose unit or form had to be assumed.

    A bare "ppm" of alkalinity may count CaCO3 or HCO3, one of calcium the ion or CaCO3; the two differ
    by 22 % and by 150 %, and neither looks wrong alone.

    Parameters
    ----------
    samples : readings with `ambiguous`, the reason in words.
    limits : ``only_noted``: quantities for which this is a note.

    Returns
    -------
    one row per such reading (`observed` 1), one passing row for every other sample.

    Notes
    -----
    The record settles it where its charges, its conductivity or its hardness fit the number as it was read, and the
    other form at least 20 times worse: then it is a note (``checks.forms``).
    The other values follow from molar masses [IUPAC2021]: HCO3/CaCO3 1.219, CaCO3/Ca 2.497, NO3/N 4.427.
    """
    unclear = np.flatnonzero(samples.once(record.said, "ambiguous").stated())
    known = [OTHER_FORM.get(code) for code in (*ANALYTES, "")]
    words = [f"{one[0]} it is {one[1]:.4f} times as much" if one else "no other form is known" for one in known]
    factor = np.array([one[1] if one else np.nan for one in known])
    noted = np.isin([*ANALYTES, ""], limits.only_noted)
    analyte = samples.once(record.analyte_codes)[unclear]
    value = record.as_numbers(samples.readings, "value").to_numpy()[unclear]
    place = samples.once(record.positions)[unclear]
    told = settlement(samples, place, analyte, value, factor[analyte])
    return {
        "place": place,
        "observed": np.ones(len(unclear)),
        "analyte": samples.once(record.said, "analyte").take(unclear),
        "severity": either(noted[analyte] | told.settled, "note", "hold"),
        "why": samples.once(record.said, "ambiguous").take(unclear),
        "value": value,
        "alternative": TextColumn(analyte % len(words), tuple(words)),
        "alternative_value": value * factor[analyte],
        "balance_percent": told.balance,
        "other_balance_percent": told.other_balance,
        "times_likelier": told.times_likelier,
        "settlement": told.words(),
        "low": np.nan,
        "high": 0.0,
        "evaluated": np.full(len(samples), "ambiguous" in samples.readings),
    }


@check(
    "factor-ten",
    title="No digit and no decimal sign was lost",
    source="CP",
    limits=UnitLimits,
    severity="hold",
    message="{analyte}: {observed:2}, but {why} {expected}; {alternative}: {alternative_value:2} would fit.",
)
def factor_ten(samples: SampleTable, limits: UnitLimits) -> Cases:
    """Find one value ten times off while all else of the record agrees.

    "7,4" read as 74, a zero too many, a figure dropped in typing: the neighbours give it away.

    Parameters
    ----------
    samples : `ph`, conductivity, total hardness, alkalinity; `site` and `stage` for the history.
    limits : see ``UnitLimits``.

    Returns
    -------
    one row per value found ten times off (`observed`, and the range it should lie in), one passing row
    for every other sample that could be judged.

    Notes
    -----
    Rules: pH above 14 or below 1.4 with a plausible tenth or tenfold; hardness or alkalinity of which the
    conductivity carries less than 0.6 µS/cm per mg/L as CaCO3 (1.6 is the physical floor [APHA2510]) while
    the other one fits; a value ten times or a tenth of the median of its own sampling point while two other
    quantities stay within 30 % of theirs and none does not [CP]. Softened or salty water cannot meet any of them.
    """
    found = stacked_cases(
        _ph(samples, limits),
        _against_conductivity(samples, limits, "total_hardness", "alkalinity"),
        _against_conductivity(samples, limits, "alkalinity", "total_hardness"),
        _against_history(samples, limits),
    )
    low, high, observed = (np.asarray(found[name], dtype="float64") for name in ("low", "high", "observed"))
    measured = samples.measured
    judged = ~np.isnan(measured["ph"].to_numpy()) | ~np.isnan(measured[_JUDGED].to_numpy()).any(axis=1)
    expected = range_words(low, high, outside(observed, low, high))
    return {**found, "expected": expected, "evaluated": judged}


_JUDGED: Final[list[str]] = ["conductivity_us_cm_25c", "total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]


def _ph(samples: SampleTable, limits: UnitLimits) -> Cases:
    ph = samples.measured["ph"].to_numpy()
    lowest, highest = limits.ph_range
    place = np.flatnonzero(within(ph, 10 * lowest, 10 * highest) | within(ph, lowest / 10, highest / 10))
    ph = ph[place]
    high = ph >= 10 * lowest
    return {
        "place": place,
        "observed": ph,
        "low": np.where(high, np.nan, lowest),
        "high": np.where(high, highest, np.nan),
        "analyte": "ph",
        "why": "the pH of a water is",
        "alternative": "the decimal sign was lost",
        "alternative_value": np.where(high, ph / 10, ph * 10),
    }


def _against_conductivity(samples: SampleTable, limits: UnitLimits, code: str, other: str) -> Cases:
    conductivity = samples.measured["conductivity_us_cm_25c"].to_numpy()
    value, neighbour = (samples.measured[f"{name}_mg_l_caco3"].to_numpy() for name in (code, other))
    lowest, highest = limits.usual_ratio
    ratio = conductivity / np.where(value > 0, value, np.nan)
    fits = within(conductivity / np.where(neighbour > 0, neighbour, np.nan), lowest, highest)
    suspect = fits & (ratio < limits.impossible_ratio) & within(ratio * 10, lowest, highest)
    return {
        "place": np.flatnonzero(suspect),
        "observed": value[suspect],
        "low": np.nan,
        "high": conductivity[suspect] / lowest,
        "analyte": code,
        "why": f"conductivity and {other.replace('_', ' ')} put it",
        "alternative": "a digit too many",
        "alternative_value": value[suspect] / 10,
    }


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
_STEADY_CODES: Final = tuple(next(a.code for a in ANALYTES.values() if a.column == column) for column in _STEADY)


def _against_history(samples: SampleTable, limits: UnitLimits) -> Cases:
    """Compare each quantity with the median of its sampling point, in powers of ten."""
    client, site, point, stage = (samples.fact(name) for name in ("client", "site", "sampling_point", "stage"))
    group = numbered([client, site, point, stage])
    size = np.bincount(group, minlength=1)[group]
    enough = np.flatnonzero((size >= limits.history_samples) & (client.stated() | site.stated()))
    group = pd.factorize(group[enough])[0]
    values = samples.measured[_STEADY].to_numpy()[enough]
    values = np.where(values > 0, values, np.nan)
    medians = evidence.middle(values, group, int(group.max(initial=-1)) + 1)[group]
    ratio = values / medians
    tolerance = limits.history_tolerance
    slipped = (np.abs(ratio / 10 - 1) <= tolerance) | (np.abs(ratio * 10 - 1) <= tolerance)
    steady = (np.abs(ratio - 1) <= limits.steady_tolerance).sum(axis=1)
    # One quantity off, two others say that it is this water, and none that it has become another (a softener).
    moved = (np.abs(ratio - 1) > limits.steady_tolerance).sum(axis=1)
    slipped &= ((slipped.sum(axis=1) == 1) & (steady >= 2) & (moved == 1))[:, None]  # noqa: PLR2004 -- see above
    row, column = np.nonzero(slipped)
    value, median = values[row, column], medians[row, column]
    return {
        "place": enough[row],
        "observed": value,
        "low": median * (1 - limits.steady_tolerance),
        "high": median * (1 + limits.steady_tolerance),
        "analyte": TextColumn(column, _STEADY_CODES),
        "why": "other samples of this point put it",
        "alternative": either(value > median, "a digit too many", "a digit lost"),
        "alternative_value": np.where(value > median, value / 10, value * 10),
    }
