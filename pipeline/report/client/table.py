"""The table of a client report: every water beside what cup and machine ask for."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

from pipeline.report.client.units import IN_OWN_UNIT, decimals, figure, unit_of
from pipeline.site.water import MACHINE_LIMITS, STAND_INS
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.assess.profiles import Band, Profile
    from pipeline.report.client.sentences import Voice
    from pipeline.site.answer import SiteAnswer
    from pipeline.site.water import SiteWater
    from pipeline.treat.advice import Range

_ROWS: Final = (
    "total_hardness_mg_l_caco3",
    "calcium_hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "ph",
    "conductivity_us_cm_25c",
    "chloride_mg_l",
    "sodium_mg_l",
    "sulfate_mg_l",
    "silica_mg_l",
    "iron_mg_l",
    "manganese_mg_l",
    "free_chlorine_mg_l",
    "total_chlorine_mg_l",
)
LIMIT_SIGNS: Final = {"inside": "○", "unclear": "?", "low": "▼", "high": "▲", "": ""}
_PREDICTION: Final = 0.05  # no prediction is better, relative, whatever its inputs say [CP]
_COARSE_UNIT: Final = 5.0  # mg/L in one of it; bands in such a unit get a decimal


class Cell(NamedTuple):
    """A number, the same in mg/L as CaCO3 where the client's unit is another, and its signs for cup and machine."""

    text: str
    mg_l: str
    sign: str
    state: str
    machine_sign: str = ""
    machine_state: str = ""


class ClientRow(NamedTuple):
    """One quantity: its waters, and what cup and machine ask."""

    name: str
    unit: str
    cells: list[Cell]
    aim: str
    machine: str


def columns(report: SiteAnswer) -> list[tuple[str, SiteWater]]:
    """Give the waters that have a column, with their kind."""
    waters = (("raw", report.raw), ("treated", report.treated), ("expected", report.expected))
    return [(kind, water) for kind, water in waters if water is not None]


def client_rows(report: SiteAnswer, voice: Voice) -> list[ClientRow]:
    """Lay the table out.

    Parameters
    ----------
    report : the report.
    voice : language and unit.

    Returns
    -------
    a row for every quantity that was measured, and for hardness and alkalinity.
    """
    waters = columns(report)
    measured = {name for kind, water in waters if kind != "expected" for name in water.readings}
    return [_row(name, waters, report.profile, voice) for name in _ROWS if name in measured]


def _row(name: str, waters: list[tuple[str, SiteWater]], profile: Profile, voice: Voice) -> ClientRow:
    band = _band(name, waters, profile) if all(water.brews for _, water in waters) else None
    limit = MACHINE_LIMITS.get(name)
    return ClientRow(
        name=voice.quantity(name),
        unit=unit_of(name, voice.unit),
        cells=[_cell(name, kind, water, voice, asked=band is not None) for kind, water in waters],
        aim="" if band is None else _between(name, band.low, band.high, voice),
        machine="" if limit is None else _between(name, *_ends(limit), voice),
    )


def _ends(limit: tuple[float, float, bool]) -> tuple[float, float]:
    attention, _, above = limit
    return (-math.inf, attention) if above else (attention, math.inf)


def _band(name: str, waters: list[tuple[str, SiteWater]], profile: Profile) -> Band | None:
    """Find what the profile asks of a column, or of what it stands in for."""
    for band in profile.bands:
        own = ANALYTES[band.quantity].column
        read = any(own in water.readings for _, water in waters)
        if name == own or (STAND_INS.get(band.quantity) == name and not read):
            return band
    return None


def _between(name: str, low: float, high: float, voice: Voice) -> str:
    low_text, high_text = (_bound(name, end, voice) for end in (low, high))
    if math.isinf(low) or low <= 0.0:
        return voice.say("report.band.most", high=high_text)
    if math.isinf(high):
        return voice.say("report.band.least", low=low_text)
    return voice.say("report.band.between", low=low_text, high=high_text)


def _bound(name: str, end: float, voice: Voice) -> str:
    if math.isinf(end):
        return ""
    factor = voice.unit.factor(name) if name.endswith("_caco3") else 1.0
    value = end / factor
    if factor != 1.0:
        return figure(value, 1 if factor > _COARSE_UNIT else 2, voice.language)
    places = next((count for count in (0, 1, 2) if math.isclose(value, round(value, count))), 2)
    return figure(value, places, voice.language)


def _cell(name: str, kind: str, water: SiteWater, voice: Voice, *, asked: bool) -> Cell:
    found = water.readings.get(name)
    if found is None:
        return Cell("", "", "", "")
    spread = water.spread[name]
    state = water.states.get(name, "") if asked else ""
    own = name in IN_OWN_UNIT and voice.unit.factor(name) != 1.0
    number = _expected if kind == "expected" else _measured
    beyond = _beyond_machine(name, found)
    return Cell(
        text=number(found, spread, voice.unit.factor(name) if own else 1.0, name, voice),
        mg_l=number(found, spread, 1.0, name, voice) if own else "",
        sign=LIMIT_SIGNS[state],
        state=voice.say(f"report.state.{state}") if state else "",
        machine_sign=LIMIT_SIGNS[beyond],
        machine_state=voice.say(f"report.state.{beyond}") if beyond else "",
    )


def _beyond_machine(name: str, found: Range) -> str:
    """Say on which side of what the machine wants a number lies; "" where it does not, or none is known."""
    limit = MACHINE_LIMITS.get(name)
    if limit is None or math.isnan(found.value):
        return ""
    attention, _, above = limit
    return "high" if above and found.value > attention else "low" if not above and found.value < attention else ""


def _measured(found: Range, spread: float, factor: float, name: str, voice: Voice) -> str:
    places = _places(name, spread / factor)
    if math.isnan(found.value):
        own = factor != 1.0
        limit = voice.limit(name, found.high) if own else figure(found.high, _places(name, found.high), voice.language)
        return f"< {limit}"
    text = figure(found.value / factor, places, voice.language)
    return f"{text} ± {figure(spread / factor, places, voice.language)}" if spread > 0.0 else text


def _expected(found: Range, spread: float, factor: float, name: str, voice: Voice) -> str:
    places = _places(name, max(spread, _PREDICTION * found.value) / factor)
    low, value, high = (figure(end / factor, places, voice.language) for end in (found.low, found.value, found.high))
    return value if low == high else f"{low}–{high}"


def _places(name: str, spread: float) -> int:
    return 1 if name == "ph" else decimals(spread)
