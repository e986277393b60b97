"""Before and after a treatment: every kind changes the water in its own way, and in no other."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pipeline.checks import pairs, record
from pipeline.checks.columns import outside, range_words, stacked_cases, taken
from pipeline.checks.fingerprints import Side, Sides
from pipeline.checks.pairs import TreatmentLimits
from pipeline.checks.registry import check
from pipeline.checks.treatment_rules import TREATMENT_RULES
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.arrays import Floats, Places
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable

_QUANTITIES: Final[dict[str, str]] = {
    "hardness": "total_hardness_mg_l_caco3",
    "alkalinity": "alkalinity_mg_l_caco3",
    "conductivity": "conductivity_us_cm_25c",
    "ph": "ph",
    "sodium": "sodium_mg_l",
    "chloride": "chloride_mg_l",
    "calcium": "calcium_mg_l",
    "chlorine": "free_chlorine_mg_l",
}
_PH_UNCERTAINTY: Final = 0.2  # of one field reading, k = 2 [CP]


@check(
    "treatment-pattern",
    title="The treated water differs from the raw water as its treatment makes it differ",
    source="CP",
    limits=TreatmentLimits,
    severity="hold",
    message="{pattern} ({kind}): {quantity} {before:1} before, {observed:1} after, expected {expected}. {alternative}.",
    relation=("total_hardness", "alkalinity", "conductivity"),
)
def treatment_pattern(samples: SampleTable, limits: TreatmentLimits) -> Cases:
    """Compare the raw and the treated sample of one visit with the fingerprint of the treatment.

    Labels swapped at the sink keep every sum right; only the direction of change gives them away. The same
    comparison shows an open bypass and an exhausted filter: faults of the plant, not of the data.

    Parameters
    ----------
    samples : pairs of the same client and site within a day; `treatment` and `bypass_percent` where known.
    limits : see ``TreatmentLimits``.

    Returns
    -------
    one row per pair for the treated sample, one more for the raw one where the labels look swapped;
    `observed` the quantity after, its expected range from the value before, and both orders.

    Notes
    -----
    Carbon changes chlorine only. A decarboniser takes as much hardness as alkalinity and leaves sodium and
    chloride. A softener keeps alkalinity, ΔNa = 0.4594 ΔTH [IUPAC2021], and conductivity but for ion pairs that sodium
    does not form: up to a quarter more in sulfate waters [PHREEQC3]. A membrane lowers all.
    A remineraliser raises hardness and alkalinity. A magnesium exchanger keeps hardness. Allowed:
    √(U1² + U2²), k = 2 [JCGM100]. The labels are never swapped by the program.
    """
    matched = samples.once(pairs.matched_pairs, limits.days_apart)
    before, after = matched["raw"].to_numpy(), matched["treated"].to_numpy()
    sides = _sides(samples, before, after, limits, matched["bypass"].to_numpy())
    kind = TextColumn.from_series(matched["kind"])
    found = _first_broken(sides, kind, limits)
    label = record.names_of(samples.about).to_numpy(dtype=object)
    low, high, observed = (np.asarray(found[name]) for name in ("low", "high", "observed"))
    rows = {
        **found,
        "kind": kind.map(lambda text: text or "treatment not named"),
        "raw_label": label[before],
        "treated_label": label[after],
        "raw_hardness": sides.raw.hardness,
        "treated_hardness": sides.treated.hardness,
        "raw_alkalinity": sides.raw.alkalinity,
        "treated_alkalinity": sides.treated.alkalinity,
        "raw_ph": sides.raw.ph,
        "treated_ph": sides.treated.ph,
        "expected": range_words(low, high, outside(observed, low, high)),
    }
    rows["analyte"] = rows.pop("weighed")
    swapped = rows.pop("both")
    both = {name: taken(column, np.flatnonzero(swapped)) for name, column in rows.items()}
    judged = np.zeros(len(samples), dtype="bool")
    judged[before] = True
    places = np.append(after, before[swapped])
    return {**stacked_cases(rows, both), "place": places, "evaluated": judged}


def _sides(samples: SampleTable, before: Places, after: Places, limits: TreatmentLimits, bypass: Floats) -> Sides:
    raw: dict[str, Floats] = {}
    treated: dict[str, Floats] = {}
    allowed: dict[str, Floats] = {}
    rows = np.concatenate([before, after])
    hardness = samples.measured[_QUANTITIES["hardness"]].to_numpy()[rows]
    for name, column in _QUANTITIES.items():
        value, spread = samples.measured[column].to_numpy()[rows], samples.uncertainty[column].to_numpy()[rows]
        if name == "conductivity":  # a value in another unit must not hide a pattern; it has its own check
            value = np.where(value < hardness, np.nan, value)
        default = _PH_UNCERTAINTY if name == "ph" else limits.relative_uncertainty * value
        spread = np.where(np.isnan(spread), default, spread)
        raw[name], treated[name] = np.split(value, 2)
        allowed[name] = np.hypot(*np.split(spread, 2))
    return Sides(Side(**raw), Side(**treated), Side(**allowed), bypass)


def _first_broken(sides: Sides, kind: TextColumn, limits: TreatmentLimits) -> dict[str, Any]:
    """Judge every pair by the rules of its kind; the first broken one is the finding."""
    size = len(kind)
    numbers = {name: np.full(size, np.nan) for name in ("observed", "low", "high", "before")}
    code = np.zeros(size, dtype="int8")
    for position, rule in enumerate(TREATMENT_RULES, start=1):
        applies = kind.isin(rule.kinds) if rule.kinds else np.ones(size, dtype="bool")
        before, after, low, high = rule.judge(sides, limits)
        broken = applies & ((after < low) | (after > high))
        # A pair that breaks no rule keeps the first quantity it could be judged by.
        chosen = (broken & (code == 0)) | (applies & np.isnan(numbers["observed"]) & ~np.isnan(after))
        chosen &= code == 0
        for name, values in zip(numbers, (after, low, high, before), strict=True):
            numbers[name] = np.where(chosen, values, numbers[name])
        code = np.where(broken & (code == 0), position, code).astype("int8")
    words = {
        name: TextColumn(code, ("", *(str(getattr(rule, name)) for rule in TREATMENT_RULES)))
        for name in ("pattern", "severity", "quantity", "alternative", "weighed")
    }
    return {**numbers, **words, "both": np.array([False, *(rule.both for rule in TREATMENT_RULES)])[code]}
