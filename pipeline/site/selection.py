"""Which samples of a site speak for it: the latest usable one, the one before, those that lend it a reading."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.treat.choosing.case import ALKALINITY, HARDNESS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.site.visit import Visit

# In the order of preference; a record that names no stage is taken as of the tap.
BEFORE: Final = (("raw",), ("",), ("machine_inlet",))
AFTER: Final = (("treated", "machine_inlet"), ("permeate",))
# What an earlier report of the same water may lend a kit reading; hardness and alkalinity never.
_LENT: Final = (
    "chloride_mg_l",
    "sodium_mg_l",
    "sulfate_mg_l",
    "nitrate_mg_l",
    "potassium_mg_l",
    "silica_mg_l",
    "iron_mg_l",
    "manganese_mg_l",
)
# What another reading of the same day and water may lend as well.
_LENT_SAME_DAY: Final = ("conductivity_us_cm_25c", "tds_mg_l", "ph")
_SAME_WATER: Final = 0.15  # hardness and alkalinity of two visits to one water differ by no more [CP]


def latest(visits: Sequence[Visit], preferences: Sequence[tuple[str, ...]], *, held: bool = False) -> Visit | None:
    """Pick the latest sample with hardness and alkalinity: a usable one, or one on hold."""
    for stages in preferences:
        found = [visit for visit in visits if visit.stage in stages and visit.held is held and visit.decides]
        if found:
            same_day = [visit for visit in found if _one_day(visit, found[-1])]
            return min(reversed(same_day), key=_coarseness)
    return None


def incomplete(visits: Sequence[Visit], preferences: Sequence[tuple[str, ...]]) -> Visit | None:
    """Pick the latest usable sample that lacks hardness or alkalinity, so that what it lacks can be said."""
    found = [visit for stages in preferences for visit in reversed(visits) if visit.stage in stages and not visit.held]
    return next(iter(found), None)


def _coarseness(visit: Visit) -> tuple[bool, float]:
    """Rank the samples of one day: without a note first, then by how finely hardness was read."""
    value, high = visit.samples.filled[HARDNESS].iloc[0], visit.samples.high[HARDNESS].iloc[0]
    spread = visit.samples.uncertainty[HARDNESS].iloc[0]
    share = spread / value if value > 0.0 and not math.isnan(spread) else (1.0 if not math.isnan(high) else math.inf)
    return visit.verdict not in ("ok", "unjudged"), float(share)


def earlier_of(visits: Sequence[Visit], raw: Visit | None) -> Visit | None:
    """Pick the usable sample of the same place before the latest one, measured the same way."""
    if raw is None or raw.held or pd.isna(raw.day):
        return None
    before = [visit for visit in visits if visit.day < raw.day and visit.stage == raw.stage and not visit.held]
    both = [visit for visit in before if visit.samples.filled[[HARDNESS, ALKALINITY]].notna().all(axis=None)]
    return both[-1] if both else None


def waiting(visits: Sequence[Visit], raw: Visit | None) -> tuple[Visit, ...]:
    """Name the samples on hold from the day of ``raw`` on; all of them where there is no other."""
    held = [visit for visit in reversed(visits) if visit.held and visit is not raw]
    if raw is None or pd.isna(raw.day):
        return tuple(held)
    return tuple(visit for visit in held if visit.day >= raw.day)


def lenders(visits: Sequence[Visit], raw: Visit | None) -> dict[str, Visit]:
    """Find, for what ``raw`` lacks, the latest usable record of the same water that has it."""
    if raw is None or raw.held:
        return {}
    same = [visit for visit in visits if visit is not raw and not visit.held and _same_water(visit, raw)]
    lent: dict[str, Visit] = {}
    for column in (*_LENT, *_LENT_SAME_DAY):
        known = [visit for visit in reversed(same) if visit.knows(column)]
        lender = next((visit for visit in known if column in _LENT or _one_day(visit, raw)), None)
        if not raw.knows(column) and lender is not None:
            lent[column] = lender
    return lent


def _same_water(visit: Visit, raw: Visit) -> bool:
    if visit.stage not in ("raw", ""):
        return False
    if _one_day(visit, raw):
        return all(_overlap(visit, raw, name) for name in (HARDNESS, ALKALINITY))
    pairs = [(visit.samples.filled[name].iloc[0], raw.samples.filled[name].iloc[0]) for name in (HARDNESS, ALKALINITY)]
    return all(abs(one - other) <= _SAME_WATER * other for one, other in pairs)


def _one_day(visit: Visit, other: Visit) -> bool:
    """Say whether two samples are of one day, or neither has a date."""
    days = pd.Series([visit.day, other.day])
    return bool(days.isna().all() or days.iloc[0] == days.iloc[1])


def _overlap(one: Visit, other: Visit, name: str) -> bool:
    """Say whether two readings of one day can be of one water: their ranges meet, or nearly so."""
    ends_of = [_reach(visit, name) for visit in (one, other)]
    (low, high), (other_low, other_high) = ends_of
    return bool(low <= other_high * (1.0 + _SAME_WATER) and other_low <= high * (1.0 + _SAME_WATER))


def _reach(visit: Visit, name: str) -> tuple[float, float]:
    value, spread = visit.samples.filled[name].iloc[0], visit.samples.uncertainty[name].iloc[0]
    low, high = visit.samples.low[name].iloc[0], visit.samples.high[name].iloc[0]
    wide = 0.0 if math.isnan(spread) else spread
    return float(min(low, value - wide)), float(max(high, value + wide))
