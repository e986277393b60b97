"""One water compared with profile and machine, as codes and numbers that can be worded in any language."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.assess.corrosion import CorrosionLimits
from pipeline.assess.extraction import cup_flags
from pipeline.assess.suitability import AssessSettings, assess
from pipeline.assess.zones import inside
from pipeline.chemistry.equivalents import column as column_of
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import samples_from_wide
from pipeline.treat.advice import Range
from pipeline.treat.choosing.case import HOT_C
from schemas.columns import ANALYTES, WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from pipeline.assess.machines import Machine
    from pipeline.assess.profiles import Profile
    from pipeline.normalise.sample_table import SampleTable

# Words of `cup_flags` -> code of the sentence.
CUP_CODES: Final[dict[str, str]] = {
    "acids stand out: sharp, sour, thin": "report.cup.sour",
    "acids a little forward": "report.cup.forward",
    "acids in balance": "report.cup.balanced",
    "acids muted": "report.cup.muted",
    "flat and chalky, acids gone; espresso runs slower and unevenly": "report.cup.flat",
    "too little hardness to carry the taste: empty, weak": "report.cup.empty",
    "heavy and muddy": "report.cup.heavy",
    "sodium carries the alkalinity, as in softened or soda water: dull, soapy, shots may choke": "report.cup.soda",
    "sodium can be tasted": "report.cup.sodium",
    "chlorine: medicinal, bitter": "report.cup.chlorine",
    "chloride: a salty edge": "report.cup.chloride",
    "sulfate: a dry, bitter edge": "report.cup.sulfate",
    "iron: metallic, dark like tea": "report.cup.iron",
}
# Column -> attention and act limit at the inlet of a machine, and whether more is worse.
_LIMITS: Final = CorrosionLimits()
MACHINE_LIMITS: Final[dict[str, tuple[float, float, bool]]] = {
    "alkalinity_mg_l_caco3": (*_LIMITS.low_alkalinity_mg_l_caco3, False),
    "ph": (*_LIMITS.low_ph, False),
    "chloride_mg_l": (*_LIMITS.chloride_mg_l, True),
    "sulfate_mg_l": (*_LIMITS.sulfate_mg_l, True),
    "free_chlorine_mg_l": (*_LIMITS.chlorine_mg_l, True),
    "total_chlorine_mg_l": (*_LIMITS.chlorine_mg_l, True),
    "silica_mg_l": (*_LIMITS.silica_mg_l, True),
    "iron_mg_l": (*_LIMITS.iron_mg_l, True),
    "manganese_mg_l": (*_LIMITS.manganese_mg_l, True),
}
STAND_INS: Final = {"calcium_hardness": "total_hardness_mg_l_caco3", "total_chlorine": "free_chlorine_mg_l"}
_SURE, _UNSURE = 0.95, 0.05
_OF_SHOTS: Final = ("report.cup.flat", "report.cup.soda")


@dataclass(frozen=True)
class SiteWater:
    """What a water is and does.

    Attributes
    ----------
    readings : column -> value with its bounds, in the canonical unit; a reading below a limit has no value.
    spread : column -> expanded uncertainty, k = 2.
    zone : a word of ``assess.zones.ZONES``.
    machine : a word of the boiler verdict of ``assess.suitability``.
    cup : codes of what the coffee will taste of.
    scale : place in the machine -> g per 1000 L.
    scale_per_year : kg a year; missing where the litres are not known.
    states : column -> one of `STATES` against the profile.
    """

    readings: Mapping[str, Range]
    spread: Mapping[str, float]
    zone: str
    machine: str
    cup: tuple[str, ...]
    scale: Mapping[str, Range]
    scale_per_year: Range
    states: Mapping[str, str]
    brews: bool = True


def site_water(samples: SampleTable, machine: Machine, profile: Profile, litres_per_day: float) -> SiteWater:
    """Hold one water against a profile and a machine.

    Parameters
    ----------
    samples : the filled table of one sample.
    machine, profile : what it is held against.
    litres_per_day : missing where not known.
    """
    own = replace(samples, about=samples.about.assign(litres_per_day=litres_per_day))
    result = assess(own, {machine.name: machine}, {profile.name: profile}, AssessSettings(machine=machine.name))
    verdict = result.verdicts.iloc[0]
    figures: dict[str, Mapping[Hashable, object]] = {
        str(row["quantity"]): row for row in result.quantities.to_dict("records")
    }
    return SiteWater(
        readings={name: found for name in WIDE_COLUMNS if not math.isnan((found := _reading(samples, name)).high)},
        spread={name: float(samples.uncertainty[name].iloc[0]) for name in WIDE_COLUMNS},
        zone=str(verdict["cup_zone"]),
        machine=str(verdict["boiler_verdict"]),
        cup=tuple(_cup_code(words, machine) for words, flags in cup_flags(samples).items() if flags[0]),
        scale={
            part.place: _range(figures.get(f"scale_{part.place.strip().lower().replace(' ', '_')}"), "g/m3")
            for part in machine.parts
        },
        scale_per_year=_range(figures.get("scale_per_year"), "kg/a"),
        states=_states(samples, profile),
        brews=machine.brews,
    )


def _cup_code(words: str, machine: Machine) -> str:
    """Word a taste; where nothing is brewed under pressure there is no shot to run slowly."""
    code = CUP_CODES[words]
    brews = bool(machine.parts) and max(part.temperature_c for part in machine.parts) < HOT_C
    return f"{code}_brewed" if brews and code in _OF_SHOTS else code


def predicted_samples(predicted: Mapping[str, Range]) -> SampleTable:
    """Lay a predicted water out as a sample.

    Parameters
    ----------
    predicted : canonical column -> value with bounds; other names are left out.
    """
    row: dict[str, object] = {"sample_id": "predicted"}
    for name in WIDE_COLUMNS:
        if name in predicted and not math.isnan(predicted[name].value):
            found = predicted[name]
            low, high = (end if not math.isnan(end) else found.value for end in (found.low, found.high))
            row |= {name: found.value, f"{name}.low": low, f"{name}.high": high}
            row |= {f"{name}.u": 0.5 * (high - low), f"{name}.method": "calculated"}
    return with_derived(samples_from_wide(pd.DataFrame([row])))


def _reading(samples: SampleTable, name: str) -> Range:
    value, low, high = (float(frame[name].iloc[0]) for frame in (samples.filled, samples.low, samples.high))
    ends = (value if math.isnan(low) else low, value if math.isnan(high) else high)
    return Range(value, *ends, "")


def _range(row: Mapping[Hashable, object] | None, unit: str) -> Range:
    if row is None:
        return Range(math.nan, math.nan, math.nan, unit)
    value, low, high = (float(str(row[name])) for name in ("value", "low", "high"))
    return Range(max(value, 0.0), max(low, 0.0), max(high, 0.0), unit)


def _states(samples: SampleTable, profile: Profile) -> dict[str, str]:
    """Say for every quantity of the profile on which side of its band the reading lies."""
    states = {}
    for band in profile.bands:
        name = judged_column(samples, band.quantity)
        value, spread, low, high = (
            np.asarray(column_of(frame, name), dtype="float64")
            for frame in (samples.filled, samples.uncertainty, samples.low, samples.high)
        )
        chance = float(inside(value, spread, low, high, band)[0])
        if not math.isnan(chance):
            middle = float(np.where(np.isnan(value), 0.5 * (low + high), value)[0])
            side = "low" if middle < band.low else "high"
            states[name] = "inside" if chance >= _SURE else side if chance <= _UNSURE else "unclear"
    return states


def judged_column(samples: SampleTable, quantity: str) -> str:
    """Name the column that answers for a quantity: total hardness and free chlorine stand in for what was not read."""
    own, other = ANALYTES[quantity].column, STAND_INS.get(quantity, "")
    lacking = bool(samples.filled[own].isna().iloc[0] and samples.high[own].isna().iloc[0])
    return other if lacking and other else own
