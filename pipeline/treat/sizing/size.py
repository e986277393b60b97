"""How big: how many litres and days a medium lasts, how much salt and waste, what a membrane gives in cold water."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ
from pipeline.errors import KettlestoneError
from pipeline.treat.advice import Range
from pipeline.treat.processes.trains import has_membrane, in_tank
from pipeline.treat.processes.treatments import named
from pipeline.treat.sizing.capacity import RATED_LITRES, from_equivalents, to_equivalents
from pipeline.treat.sizing.load import medium_load
from pipeline.treat.sizing.membrane import Membrane, MembraneDay, membrane_day
from pipeline.words import Said

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Floats
    from pipeline.treat.processes.treatments import Treatment

__all__ = ["Membrane", "Size", "SizeFacts", "medium_load", "size"]

DAYS_PER_MONTH: Final = 365.25 / 12.0
MOST_BED_VOLUMES_PER_HOUR: Final = 40.0  # of a softener; faster it leaks [CP]
LEAST_LOAD_MG_L_CACO3: Final = 1.0  # less is the noise of any test [CP]


RESERVE: Final = 0.15  # share of a capacity that is kept for the unexpected [CP]


@dataclass(frozen=True)
class SizeFacts:
    """What sizing must be told; NaN where not known. Defaults are common practice of the trade [CP].

    Attributes
    ----------
    capacity, capacity_unit : of the medium, a unit of `pipeline.treat.sizing.capacity.UNITS`.
    litres_per_day : one figure, or a Range [L].
    reserve : share of the capacity kept for the unexpected [-].
    hygiene_cap_days : change no later; NaN: the treatment's own.
    litres_used : product since the last change [L].
    salt_g_per_eq : regenerating salt [g/eq]; 58.4 is theory, 100–180 is real.
    resin_litres, peak_litres_per_minute : for the flow through the resin.
    membrane : recovery, rated flow, water temperature of a reverse osmosis.
    bypass : share of raw water in the product, for the flows of a membrane [-].
    """

    capacity: float = math.nan
    capacity_unit: str = "litre °dH"
    litres_per_day: Range | float = math.nan
    reserve: float = RESERVE
    hygiene_cap_days: float = math.nan
    litres_used: float = 0.0
    salt_g_per_eq: float = 110.0
    resin_litres: float = math.nan
    peak_litres_per_minute: float = math.nan
    membrane: Membrane = Membrane()  # noqa: RUF009 - frozen
    bypass: float = 0.0


@dataclass(frozen=True)
class Size:
    """What follows; NaN where it does not apply or a fact is missing.

    ``litres`` is the rated life, ``litres_with_reserve`` what to count on, ``litres_left`` of that after what was
    drawn; ``days`` and ``days_left`` follow from the litres a day, ``change_every_days`` also from hygiene.
    """

    capacity_eq: float
    capacity_litre_degrees: float
    capacity_kg_caco3: float
    capacity_grains: float
    load_mg_l_caco3: Range
    litres: Range
    litres_with_reserve: Range
    litres_left: Range
    days: Range
    days_left: Range
    change_every_days: Range
    salt_kg_per_month: Range
    waste_litres_per_day: Range
    membrane: MembraneDay | None
    notes: tuple[Said, ...]


def size(raw: pd.DataFrame, treated: pd.DataFrame, treatment: str, facts: SizeFacts) -> Size:
    """Work out how long a medium lasts, and what salt and waste it costs.

    Parameters
    ----------
    raw, treated : (n, ...) frames with the canonical columns. The first row is the reading; more rows are the
        ends of its uncertainty, treated alike, and widen the ranges.
    treatment : a key of `TREATMENTS`.
    facts : what is fitted and how much is drawn.

    Returns
    -------
    Size; what lacks a fact is NaN.

    Raises
    ------
    KettlestoneError : a capacity of 0 or below, an unknown unit, hardness or alkalinity missing, litres a day
        of 0 or below, a share that is none.

    Notes
    -----
    V = capacity / load; life counted on = V (1 - reserve); salt = load V(day) g/eq; the interval is the shorter
    of life and hygiene [CP].
    """
    chosen = named(treatment)
    _checked(facts)
    if len(raw) == 0 or len(raw) != len(treated):
        raise KettlestoneError("size: give the same rows before and after treatment, at least one")
    per_day = _range(facts.litres_per_day, "litre/day")
    day = membrane_day(per_day, facts.bypass, facts.membrane) if has_membrane(treatment) else None
    if chosen.removes in ("nothing", "chlorine") or day is not None:
        return _without_capacity(chosen, facts, day)
    loads = medium_load(raw, treated, treatment)
    if np.isnan(loads[0]):
        missing = "alkalinity" if chosen.removes == "alkalinity" else "hardness"
        raise KettlestoneError(f"{treatment}: {missing} before or after is missing; without it nothing can be sized")
    return _with_capacity(chosen, facts, _spread(loads), per_day)


def _checked(facts: SizeFacts) -> None:
    shares = {"reserve": facts.reserve, "bypass": facts.bypass}
    for name, share in shares.items():
        if not 0.0 <= share < 1.0:
            raise KettlestoneError(f"{name} is {share:g}; give a share from 0 to below 1")
    positive = {"hygiene_cap_days": facts.hygiene_cap_days, "salt_g_per_eq": facts.salt_g_per_eq,
                "resin_litres": facts.resin_litres, "peak_litres_per_minute": facts.peak_litres_per_minute}  # fmt: skip
    for name, value in positive.items():
        if value <= 0.0:
            raise KettlestoneError(f"{name} is {value:g}; give a value above 0")
    if not facts.litres_used >= 0.0:
        raise KettlestoneError(f"litres_used is {facts.litres_used:g}; give 0 or more")


def _range(value: Range | float, unit: str) -> Range:
    given = value if isinstance(value, Range) else Range(value, value, value, unit)
    if given.low <= 0.0 or given.value <= 0.0:
        raise KettlestoneError(f"litres_per_day is {given.low:g}; give a volume above 0")
    return given


def _spread(values: Floats) -> Range:
    known = values[np.isfinite(values)]
    return Range(float(values[0]), float(known.min()), float(known.max()), "mg/L")


def _scaled(given: Range, factor: float, unit: str) -> Range:
    return Range(given.value * factor, given.low * factor, given.high * factor, unit)


def _divided(above: Range, below: Range, unit: str) -> Range:
    return Range(above.value / below.value, above.low / below.high, above.high / below.low, unit)


def _unknown(unit: str) -> Range:
    return Range(math.nan, math.nan, math.nan, unit)


def _rated(facts: SizeFacts, equivalents: float, loads: Range) -> Range:
    """Litres of product until the medium is full; endless where nothing is taken."""
    if facts.capacity_unit == RATED_LITRES:
        return Range(facts.capacity, facts.capacity, facts.capacity, "litre")
    whole = equivalents * 1e3 * MG_CACO3_PER_MEQ
    ends = [
        whole / part if part >= LEAST_LOAD_MG_L_CACO3 else math.inf for part in (loads.value, loads.high, loads.low)
    ]
    return Range(ends[0], ends[1], ends[2], "litre")


def _with_capacity(treatment: Treatment, facts: SizeFacts, loads: Range, per_day: Range) -> Size:
    equivalents = to_equivalents(facts.capacity, facts.capacity_unit) if not math.isnan(facts.capacity) else math.nan
    rated = _rated(facts, equivalents, loads) if not math.isnan(facts.capacity) else _unknown("litre")
    counted = _scaled(rated, 1.0 - facts.reserve, "litre")
    ends = [max(part - facts.litres_used, 0.0) for part in (counted.value, counted.low, counted.high)]
    left = Range(ends[0], ends[1], ends[2], "litre") if not math.isnan(rated.value) else _unknown("litre")
    days = _divided(counted, per_day, "day")
    return Size(
        capacity_eq=equivalents,
        capacity_litre_degrees=from_equivalents(equivalents, "litre °dH"),
        capacity_kg_caco3=from_equivalents(equivalents, "kg CaCO3"),
        capacity_grains=from_equivalents(equivalents, "grains"),
        load_mg_l_caco3=loads,
        litres=rated,
        litres_with_reserve=counted,
        litres_left=left,
        days=days,
        days_left=_divided(left, per_day, "day"),
        change_every_days=_capped(days, treatment, facts),
        salt_kg_per_month=_salt(treatment, facts, loads, per_day),
        waste_litres_per_day=_unknown("litre/day"),
        membrane=None,
        notes=_notes(treatment, facts, loads, days),
    )


def _without_capacity(treatment: Treatment, facts: SizeFacts, day: MembraneDay | None) -> Size:
    litre, days = _unknown("litre"), _unknown("day")
    return Size(
        *(math.nan,) * 4,
        load_mg_l_caco3=_unknown("mg/L"),
        litres=litre,
        litres_with_reserve=litre,
        litres_left=litre,
        days=days,
        days_left=days,
        change_every_days=_capped(days, treatment, facts),
        salt_kg_per_month=_unknown("kg"),
        waste_litres_per_day=day.waste if day is not None else _unknown("litre/day"),
        membrane=day,
        notes=(*_notes(treatment, facts, _unknown("mg/L"), days), *(day.notes if day is not None else ())),
    )


def _cap(treatment: Treatment, facts: SizeFacts) -> float:
    return treatment.hygiene_days if math.isnan(facts.hygiene_cap_days) else facts.hygiene_cap_days


def _capped(days: Range, treatment: Treatment, facts: SizeFacts) -> Range:
    """Take the shorter of life and hygiene; a softener that is regenerated has no limit of its own."""
    cap = _cap(treatment, facts)
    ends = [float(np.fmin(part, cap)) for part in (days.value, days.low, days.high)]
    return Range(ends[0], ends[1], ends[2], "day")


def _salt(treatment: Treatment, facts: SizeFacts, loads: Range, per_day: Range) -> Range:
    if treatment.name != "softener":
        return _unknown("kg")
    factor = facts.salt_g_per_eq * DAYS_PER_MONTH / (1e3 * MG_CACO3_PER_MEQ) / 1e3
    ends = [
        (load_part * litres) * factor
        for load_part, litres in (
            (loads.value, per_day.value),
            (loads.low, per_day.low),
            (loads.high, per_day.high),
        )
    ]
    return Range(ends[0], ends[1], ends[2], "kg")


def _notes(treatment: Treatment, facts: SizeFacts, loads: Range, days: Range) -> tuple[Said, ...]:
    cap = _cap(treatment, facts)
    bed_volumes = facts.peak_litres_per_minute * 60.0 / facts.resin_litres
    said = {
        "size.nothing-removed": loads.value < LEAST_LOAD_MG_L_CACO3,
        "size.litres-as-rated": facts.capacity_unit == RATED_LITRES and not math.isnan(facts.capacity),
        "size.hygiene": days.value > cap,
        "size.in-tank": in_tank(treatment.name),
        "size.too-fast": bed_volumes > MOST_BED_VOLUMES_PER_HOUR,
    }
    values: dict[str, dict[str, object]] = {
        "size.hygiene": {"days": float(cap)},
        "size.too-fast": {"volumes": float(bed_volumes), "most": MOST_BED_VOLUMES_PER_HOUR},
    }
    return tuple(Said(code, values.get(code, {})) for code, applies in said.items() if applies)
