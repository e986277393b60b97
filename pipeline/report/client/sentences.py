"""The sentences of a client report, each from the catalogue, with the digits its number deserves."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.report.client.units import MG_L, OwnUnit, decimals, figure, unit_of
from pipeline.site.record import ALKALINITY, HARDNESS, KEEPS_MINERALS, RAW_STAGES
from pipeline.site.water import MACHINE_LIMITS
from pipeline.verify.series import PERMEATE
from pipeline.words import Said, finding_for_client, say, sentences_of
from pipeline.words import day as written_day
from pipeline.words.degrees import Degrees
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from pipeline.site.answer import SiteAnswer
    from pipeline.site.record import Site
    from pipeline.site.visit import Visit
    from pipeline.site.water import SiteWater
    from pipeline.treat.advice import Range

# What advice and assessment would like to know beside hardness and alkalinity.
WANTED: Final = (
    "ph",
    "conductivity_us_cm_25c",
    "chloride_mg_l",
    "sodium_mg_l",
    "sulfate_mg_l",
    "silica_mg_l",
    "iron_mg_l",
)
_CHLORINE: Final = ("free_chlorine_mg_l", "total_chlorine_mg_l")
_DOUBTS: Final = (
    ("probably ", "report.doubt.probably"),
    ("undetermined, usually ", "report.doubt.usually"),
    ("undetermined, at most ", "report.doubt.at_most"),
)
_LEVELS: Final = ("suitable", "attention", "act")
_DEGREE: Final = 10.0  # mg/L as CaCO3 of the smallest degree of the trade
_MOST_PLACES: Final = 3
_LIMIT_DIGITS: Final = 0.1  # a limit is written to a tenth of itself: 1.2 of a degree is not 1
_LITTLE_G: Final = 5.0  # g per 1000 L; less is called little scale by ``assess.scale.ScaleLimits`` [CP]
_MOST_REASONS: Final = 3
_LEAST: Final = 1e-9  # above nothing
_REGISTERED: Final = {
    "capacity": (_LEAST, math.inf),
    "bypass_percent": (0.0, 100.0),
    "counter_litres": (0.0, math.inf),
}
_OLD_MONTHS: Final = 12  # raw water of a steady supply is tested once a year [CP]
_DAYS_PER_MONTH: Final = 30.4
_TEN: Final = 10.0


class Voice:
    """Says codes in one language and writes numbers and days its way."""

    def __init__(self, language: str, unit: OwnUnit) -> None:
        """Remember language and unit."""
        self.language, self.unit = language, unit

    def say(self, code: str, **values: object) -> str:
        """Say a sentence of the catalogue."""
        return say(Said(code, values), self.language)

    def told(self, said: Said) -> str:
        """Say what another stage wants to have said, amounts of hardness in the client's unit."""
        unit = self.unit
        own = None if unit.sign == MG_L else Degrees(unit.sign, unit.hardness, unit.alkalinity)
        return say(said, self.language, own)

    def rough(self, value: float) -> str:
        """Write an estimate with two figures: nobody knows scale to the gram."""
        if math.isnan(value):
            return "?"
        places = 1 - math.floor(math.log10(abs(value))) if value else 0
        return figure(round(value, places), max(places, 0) if abs(value) < _TEN else 0, self.language)

    def reading(self, name: str, value: float, spread: float = math.nan, *, least: int = 0) -> str:
        """Write a value of a column in the client's unit, with at least so many decimals."""
        factor = self.unit.factor(name) if name.endswith("_caco3") else 1.0
        return figure(value / factor, max(self.places(name, spread), least), self.language)

    def headed(self, head: str, text: str) -> str:
        """Set a text behind its head; French parts them by a blank before the colon, too."""
        return f"{head}\u00a0: {text}" if self.language == "fr" else f"{head}: {text}"

    def limit(self, name: str, value: float) -> str:
        """Write what a reading lies below: a drop of one degree as 1, but 1.3 of another degree not as 1."""
        own = value / self.unit.factor(name) if name.endswith("_caco3") else value
        whole = abs(own - round(own)) < _LIMIT_DIGITS * _LIMIT_DIGITS * own
        return figure(own, 0 if whole or own >= _TEN else 1 if own >= 1.0 else 2, self.language)

    def places(self, name: str, spread: float = math.nan) -> int:
        """Say how many decimals a value of a column gets."""
        factor = self.unit.factor(name) if name.endswith("_caco3") else 1.0
        most = 1 if factor >= _DEGREE else _MOST_PLACES  # no field test reads a hundredth of a degree
        return 1 if name == "ph" else min(decimals(spread / factor), most)

    def quantity(self, name: str, *, inside: bool = False) -> str:
        """Name a column; ``inside`` a sentence only German writes nouns large."""
        text = self.say(f"report.quantity.{name}")
        # In German only an adjective before the noun is written small.
        small = inside and name != "ph" and (self.language != "de" or " " in text.split(" bei ")[0])
        return text[:1].lower() + text[1:] if small else text

    def named(self, kind: str, name: str) -> str:
        """Name a profile, machine or heated part; a user's own name stays as it is."""
        code = f"report.{kind}.{name}"
        return self.say(code) if code in sentences_of(self.language) else name

    def day(self, when: pd.Timestamp | date) -> str:
        """Write a day."""
        return written_day(when, self.language)

    def sample(self, visit: Visit) -> str:
        """Name a sample with its day, where it has one."""
        return visit.label if pd.isna(visit.day) else f"{visit.label} ({self.day(visit.day)})"


def verdict_word(verdict: str) -> Said:
    """Word a boiler verdict of the assessment."""
    for start, code in _DOUBTS:
        if verdict.startswith(start):
            return Said(code, {"verdict": verdict_word(verdict.removeprefix(start))})
    return Said(f"report.machine.{verdict}" if verdict in _LEVELS else "report.machine.not known")


def cup(water: SiteWater, voice: Voice) -> list[str]:
    """Say what the water does in the cup."""
    if not water.brews:
        return [voice.say("report.machine.only")]
    words = [voice.say(code) for code in water.cup]
    taste = [voice.say("report.cup", words="; ".join(words))] if words else []
    return [voice.say(f"report.zone.{water.zone}"), *taste]


def which_water(report: SiteAnswer, voice: Voice) -> str:
    """Say which water the verdict is about."""
    site = report.site
    if report.treated is not None and site.treated is not None:
        when = site.treated.day
        if site.treated.stage in PERMEATE:
            return voice.say("report.about.permeate", sample=voice.sample(site.treated))
        undated = voice.say("report.about.treated_undated")
        return undated if pd.isna(when) else voice.say("report.about.treated", day=voice.day(when))
    if site.raw is not None and site.raw.stage == "bottled":
        return voice.say("report.about.bottled")
    untreated = site.fitted.treatment in KEEPS_MINERALS or report.softened
    return voice.say("report.about.untreated" if untreated else "report.about.raw")


def machine(water: SiteWater, voice: Voice) -> list[str]:
    """Say what the water does to the machine: verdict, scale a year, and readings beyond their limit to act."""
    verdict = voice.say("report.machine", verdict=verdict_word(water.machine))
    return [verdict, *scale_year(water, voice), *metal_limits(water, voice, serious=True)]


def scale_year(water: SiteWater, voice: Voice) -> list[str]:
    """Say how much scale a year, or nothing where the litres are not known."""
    year = water.scale_per_year
    known = [found for found in water.scale.values() if not math.isnan(found.high)]
    if not known:
        return [voice.say("report.scale.not_known")]
    if max(found.high for found in known) <= _LITTLE_G:
        return [voice.say("report.scale.none")]
    if math.isnan(year.high):
        return []
    unit, factor = mass_unit(year)
    return [_ranged("report.scale.year", _times(year, factor), voice, unit=unit)]


def mass_unit(*masses: Range) -> tuple[str, float]:
    """Give the unit in which masses of kilograms are read most easily, and how many of it a kilogram is."""
    return ("g", 1000.0) if max(mass.high for mass in masses) < 1.0 else ("kg", 1.0)


def _times(found: Range, factor: float) -> Range:
    return replace(found, value=factor * found.value, low=factor * found.low, high=factor * found.high)


def scale_places(report: SiteAnswer, water: SiteWater, voice: Voice) -> list[str]:
    """Say how much scale drops at each heated part."""
    heat = {part.place: part.temperature_c for part in report.site.machine.parts}
    return [
        _ranged(
            "report.scale.place", found, voice, place=voice.named("place", place), heat=figure(heat[place], 0, "en")
        )
        for place, found in water.scale.items()
        if not math.isnan(found.high) and found.high > _LITTLE_G
    ]


def _ranged(code: str, found: Range, voice: Voice, **values: object) -> str:
    ends = {"low": voice.rough(found.low), "high": voice.rough(found.high)}
    if math.isnan(found.value) or found.value == 0.0:
        return voice.say(f"{code}_open", **ends, **values)
    return voice.say(code, **ends, value=voice.rough(found.value), **values)


def metal_limits(water: SiteWater, voice: Voice, *, serious: bool) -> list[str]:
    """Say which readings are beyond what the metal of a machine likes, and what that does.

    Parameters
    ----------
    water : the water at its inlet.
    voice : language and unit.
    serious : those beyond the limit to act; else those between attention and act.
    """
    said = []
    for name, (attention, act, above) in MACHINE_LIMITS.items():
        found = water.readings.get(name)
        if found is None or _beyond(found.value, (attention, act), above=above) != 1 + serious:
            continue
        code = "report.limit.high" if above else "report.limit.low"
        factor = voice.unit.factor(name) if name.endswith("_caco3") else 1.0
        limit = attention / factor
        said.append(
            voice.say(
                code,
                quantity=voice.quantity(name),
                value=voice.reading(name, found.value, water.spread[name], least=_limit_places(limit)),
                unit=unit_of(name, voice.unit),
                limit=figure(limit, _limit_places(limit), voice.language),
                effect=voice.say(f"report.effect.{name}"),
            ).replace("  ", " ")
        )
    return said


def _beyond(value: float, limits_of: tuple[float, float], *, above: bool) -> int:
    """Count the limits a value is beyond."""
    return sum(value > limit if above else value < limit for limit in limits_of)


def _limit_places(limit: float) -> int:
    return next((places for places in (0, 1, 2) if abs(limit - round(limit, places)) < 1e-9), 1)  # noqa: PLR2004 - a rounding error


def unknown(report: SiteAnswer, voice: Voice) -> list[str]:
    """List what was not measured, not known or lent, and what is on hold."""
    site, raw = report.site, report.site.raw
    lines = [] if raw is None else [*_unmeasured(raw, voice), *_lent(site, voice), *_below(raw, voice)]
    if raw is not None and not raw.stage:
        lines.append(voice.say("report.unknown.stage", label=raw.label))
    facts = {
        "report.unknown.machine": site.machine.name == "not known",
        "report.unknown.litres": math.isnan(site.fitted.litres),
        "report.unknown.treatment": site.fitted.treatment == "" and (raw is None or raw.stage != "bottled"),
        "report.unknown.treated": site.fitted.treatment not in KEEPS_MINERALS
        and not (report.softened or _same_day(site)),
    }
    lines += [voice.say(code) for code, holds in facts.items() if holds]
    lines += _impossible(report, voice)
    months = 0.0 if raw is None or pd.isna(raw.day) else (report.today - raw.day.date()).days / _DAYS_PER_MONTH
    if months > _OLD_MONTHS:
        lines.append(voice.say("report.unknown.age", months=figure(months, 0, voice.language)))
    return [*lines, *(held(visit, voice) for visit in site.held)]


def _impossible(report: SiteAnswer, voice: Voice) -> list[str]:
    """Name what the register of treatments says and cannot be, so that nobody wonders why it was not reckoned with."""
    register, lines = report.site.facts.register, []
    for name, (low, high) in _REGISTERED.items():
        text = register.get(name, "")
        value = pd.to_numeric(text.replace(",", "."), errors="coerce") if text else math.nan
        if not math.isnan(value) and not low <= value <= high:
            lines.append(voice.say("report.unknown.register", what=Said(f"report.register.{name}"), text=text))
    fitted = pd.to_datetime(register.get("installed_on", ""), errors="coerce", format="ISO8601")
    if not pd.isna(fitted) and fitted.date() > report.today:
        lines.append(voice.say("report.unknown.ahead", day=voice.day(fitted)))
    return lines


def _same_day(site: Site) -> bool:
    if site.raw is None or site.treated is None:
        return False
    return bool(abs((site.raw.day - site.treated.day).days) <= 1)


def _unmeasured(raw: Visit, voice: Voice) -> list[str]:
    names = [name for name in WANTED if not raw.knows(name)]
    if not any(raw.knows(name) for name in _CHLORINE):
        names.append(_CHLORINE[0])
    first = [voice.say("report.unknown.not_measured", quantities=columns_named(names, voice))] if names else []
    apart = not raw.knows(HARDNESS) or raw.knows("calcium_mg_l") or raw.knows("calcium_hardness_mg_l_caco3")
    return first if apart else [*first, voice.say("report.unknown.calcium")]


def columns_named(names: Sequence[str], voice: Voice) -> str:
    """Name several columns inside a sentence."""
    return ", ".join(voice.quantity(name, inside=True) for name in names)


def _lent(site: Site, voice: Voice) -> list[str]:
    lenders: dict[str, list[str]] = {}
    for name, visit in site.lent.items():
        lenders.setdefault(visit.sample_id, []).append(name)
    visits = {visit.sample_id: visit for visit in site.lent.values()}
    return [
        voice.say(
            "report.unknown.lent",
            sample=voice.sample(visits[key]),
            quantities=columns_named(names, voice),
        )
        for key, names in lenders.items()
    ]


def _below(raw: Visit, voice: Voice) -> list[str]:
    table = raw.samples
    return [
        voice.say(
            "report.unknown.limit",
            quantity=voice.quantity(name),
            limit=voice.limit(name, limit),
            unit=unit_of(name, voice.unit),
        )
        for name in (HARDNESS, ALKALINITY)
        if table.filled[name].isna().iloc[0] and raw.knows(name)
        for limit in [float(table.high[name].iloc[0])]
    ]


def held(visit: Visit, voice: Voice) -> str:
    """Say that a sample is on hold and why."""
    return voice.say("report.unknown.held", sample=voice.sample(visit), why=why_held(visit, voice))


def held_conditions(report: SiteAnswer, voice: Voice) -> list[str]:
    """Say on which later samples, not answered for, the advice depends."""
    waiting = [visit for visit in report.site.held if visit.stage in RAW_STAGES and report.advised]
    labels = ", ".join(voice.sample(visit) for visit in waiting)
    return [voice.say("report.condition.held", labels=labels)] if waiting else []


def why_held(visit: Visit, voice: Voice) -> str:
    """Name, in the client's words, what holds a sample."""
    serious = visit.findings[visit.findings["current_severity"].isin(OPEN)]
    found = dict.fromkeys(voice.told(finding_for_client(str(name))) for name in serious["check_id"])
    return "; ".join([*found][:_MOST_REASONS]) or voice.say("checks.client.any")


def changes(report: SiteAnswer, voice: Voice) -> list[str]:
    """Say what moved since the visit before, where it moved by more than the readings' uncertainty."""
    raw, earlier = report.site.raw, report.site.earlier
    if raw is None or earlier is None:
        return []
    return [
        voice.say(
            "report.change",
            day=voice.day(earlier.day),
            changes="; ".join(_change(name, earlier, raw, voice) for name in (HARDNESS, ALKALINITY)),
        )
    ]


def _change(name: str, earlier: Visit, raw: Visit, voice: Voice) -> str:
    before, after = (float(visit.samples.filled[name].iloc[0]) for visit in (earlier, raw))
    spreads = [float(visit.samples.uncertainty[name].iloc[0]) for visit in (earlier, raw)]
    moved = abs(after - before) > math.hypot(*spreads)
    code = "report.change.same" if not moved else "report.change.up" if after > before else "report.change.down"
    return voice.say(
        code,
        quantity=voice.quantity(name, inside=True),
        before=voice.reading(name, before, spreads[0]),
        now=voice.reading(name, after, spreads[1]),
        unit=unit_of(name, voice.unit),
    )
