"""What a site's samples through time say: still at work, used up, valve moved, membrane gone, or another supply."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import MG_CACO3_PER_DEGREE, MG_CACO3_PER_MEQ
from pipeline.treat.advice import Range
from pipeline.treat.choosing.case import ALKALINITY, CONDUCTIVITY, HARDNESS
from pipeline.treat.processes.trains import has_membrane
from pipeline.treat.sizing.capacity import LITRE_DEGREES, from_equivalents
from pipeline.verify.change_points import Bend, Prior, course, reaches
from pipeline.verify.intervals import Schedule, next_test
from pipeline.verify.outcomes import Cause, History, NextTest, Span, in_percent
from pipeline.verify.series import (
    ADDS,
    RAW,
    Series,
    days_since,
    in_order,
    raw_course,
    shares,
    treated_series,
)
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.arrays import Floats
    from pipeline.verify.change_points import FittedCourse as Shapes
    from pipeline.verify.outcomes import Course

FEWEST_SAMPLES: Final = 4  # samples before a course is read
_DROP: Final = MG_CACO3_PER_DEGREE["°dH"]  # mg/L as CaCO3
_COURSE: Final[dict[str, Course]] = {
    "steady": "steady",
    "odd reading": "steady",
    "exhausted media": "exhausted",
    "moved valve": "changed",
    "failed membrane": "changed",
    "source change": "changed",
}


@dataclass(frozen=True)
class HistoryLimits:
    """What counts in a history; common practice of the trade [CP]."""

    drops_over_baseline: float = 2.0  # alkalinity behind a decarboniser at which to act [CP]
    hardness_drops: float = 1.0  # hardness behind a softener at which to act [CP]
    membrane_ratio: float = 0.10  # permeate to feed conductivity at which to act [CP]
    raw_scatter: float = 0.05  # relative, k = 1, of a raw water that does not change [CP]
    least_move: float = 0.15  # of the raw water before it is called another one [CP]
    treated: Prior = field(default_factory=lambda: Prior(still=0.45, bend=0.30, step=0.10, odd=0.15))  # [CP]
    raw: Prior = field(default_factory=lambda: Prior(still=0.70, bend=0.05, step=0.15, odd=0.10))  # [CP]


@dataclass(frozen=True)
class HistoryFacts:
    """What is known beside the samples; NaN where it is not.

    Attributes
    ----------
    changes : days on which the medium was changed or put in.
    litres_per_day : use [L/day].
    life_litres : computed life of the medium [L].
    capacity_eq : of the medium [eq].
    action_level : of the quantity behind the treatment, at which to act [its unit].
    """

    changes: tuple[pd.Timestamp, ...] = ()
    litres_per_day: float = float("nan")
    life_litres: float = float("nan")
    capacity_eq: float = float("nan")
    action_level: float = float("nan")


def history(
    samples: pd.DataFrame,
    treatment: str,
    facts: HistoryFacts | None = None,
    uncertainty: pd.DataFrame | None = None,
    limits: HistoryLimits | None = None,
) -> History:
    """Read the course of a treatment and its supply from the samples of one site.

    A high reading behind a filter has four innocent readers: the filter is used up, the valve was moved,
    the supply changed, or the count was wrong. Only the series tells them apart, and it says how surely.

    Parameters
    ----------
    samples : one row per sample: `collected_at stage`, canonical columns, optionally `counter_litres`; any
        order, any index.
    treatment : name of the register.
    facts : changes of the medium, use, capacity.
    uncertainty : expanded (k = 2) of the canonical columns, same index; the usual 10 % where missing.
    limits : what counts.

    Returns
    -------
    History. Fewer than four samples behind the treatment since its last change give no course, and say so.

    Notes
    -----
    The course is that of the share of the raw water that comes through, so a supply that gets harder is not
    an exhausted filter. A level (still), a level that bends (used up), a step (valve, membrane), one odd
    reading: see `change_points.course`. The supply is judged by hardness, alkalinity and conductivity
    together. The line is never drawn through a change of the medium [CP].
    """
    facts, limits = facts or HistoryFacts(), limits or HistoryLimits()
    plain = samples.reset_index(drop=True)
    spread = pd.DataFrame() if uncertainty is None else uncertainty.reset_index(drop=True)
    ordered, remarks = in_order(plain)
    series = treated_series(ordered, spread, treatment, facts.changes)
    source, source_on = _source(ordered, spread, limits)
    remarks += series.remarks if series is not None else ()
    if series is None or len(series.treated) < FEWEST_SAMPLES:
        return _too_few(ordered, treatment, series, facts, source_on, remarks)
    return _read(series, treatment, facts, limits, (source, source_on), remarks)


def removed_load(litres: Sequence[float] | Floats, removed_mg_l: Sequence[float] | Floats) -> float:
    """Add up what a medium took out, by trapezoids.

    Parameters
    ----------
    litres : counter since the change [L], increasing.
    removed_mg_l : raw minus treated at each [mg/L as CaCO3]; the first also holds from 0 L on.

    Returns
    -------
    equivalents [eq].

    Example
    -------
    >>> round(removed_load([0.0, 1000.0], [100.087, 100.087]), 3)
    2.0
    """
    at = np.concatenate([[0.0], np.asarray(litres, dtype="float64")])
    took = np.asarray(removed_mg_l, dtype="float64")
    return float(np.trapezoid(np.concatenate([took[:1], took]), at) / MG_CACO3_PER_MEQ / 1000)


def _source(ordered: pd.DataFrame, spread: pd.DataFrame, limits: HistoryLimits) -> tuple[float, Span | None]:
    """Give the probability that the raw water changed for another, and when."""
    moves = raw_course(ordered, spread) if ordered["stage"].isin(RAW).sum() >= FEWEST_SAMPLES else pd.DataFrame()
    if len(moves) < FEWEST_SAMPLES:
        return 0.0, None
    start = pd.Timestamp(moves["collected_at"].iloc[0])
    day = days_since(moves["collected_at"], start)
    u = np.hypot(moves["u"].to_numpy(), limits.raw_scatter)
    found = course(day, moves["move"].to_numpy(), u, limits.raw)
    step = found.best_step
    if found.step < 0.5 or abs(np.expm1(step.jump)) < limits.least_move:  # noqa: PLR2004 - more likely than not
        return 0.0, None
    return found.step, _days(start, step.place, step.low, step.high)


def _read(
    series: Series,
    treatment: str,
    facts: HistoryFacts,
    limits: HistoryLimits,
    source: tuple[float, Span | None],
    remarks: tuple[Said, ...],
) -> History:
    adds = treatment in ADDS
    x = series.place
    y, u = shares(series, adds=adds)
    # Once everything comes through the line is flat again: the bend ends there.
    full = np.flatnonzero(y >= 0.95)  # noqa: PLR2004 - of the raw water
    end = len(y) if adds or not len(full) else min(max(int(full[0]) + 1, FEWEST_SAMPLES), len(y))
    found = course(x[:end], y[:end], u[:end], limits.treated, rises=-1 if adds else 1)
    causes = _causes(found, series, treatment, source)
    top = causes[0].name
    bend = found.best_bend
    exhausted = (
        _span_of(series, bend.place, bend.low, bend.high) if top in ("exhausted media", "failed membrane") else None
    )
    worn = exhausted is not None and found.bend >= found.step
    step = found.best_step
    stepped = top in ("moved valve", "failed membrane") and not worn
    action = _action(series, (x[:end], y[:end], u[:end]), bend, treatment, facts, limits) if worn else None
    removed = _removed(series)
    plan = _schedule(series, facts, action)
    acted = top != "steady"
    past = action is None or action.day <= series.start + pd.Timedelta(days=float(series.day[-1]))
    return History(
        course=_COURSE[top],
        quantity=series.quantity,
        used=len(series.treated),
        share=_share(series, found, bend if worn else None, adds=adds),
        exhausted_on=exhausted if worn else None,
        step_on=_span_of(series, step.place, step.low, step.high) if stepped else None,
        action_on=action,
        removed_eq=removed,
        source_on=source[1],
        causes=causes,
        findings=_findings(causes[0], action, removed, facts, remarks),
        next_test=next_test(treatment, plan, fault=acted and past),
    )


def _share(series: Series, found: Shapes, bend: Bend | None, *, adds: bool) -> Range:
    if adds or np.isnan(series.raw).any():
        return Range(np.nan, np.nan, np.nan, "1")
    level = found.level if bend is None else bend.level
    return Range(level, level - 2 * found.level_u, level + 2 * found.level_u, "1")


def _span_of(series: Series, place: float, low: float, high: float) -> Span:
    """Turn places along a series into days, and litres where these are the places."""
    if not series.counted:
        return _days(series.start, place, low, high)
    at, first, last = (_day_of(litres, series.day, series.litres) for litres in (place, low, high))
    return replace(_days(series.start, at, first, last), litres=Range(place, low, high, "L"))


def _days(start: pd.Timestamp, place: float, low: float, high: float) -> Span:
    # A line that never arrives arrives at the end of all days the calendar of pandas has.
    most = (pd.Timestamp.max - start) / pd.Timedelta(days=1)
    at, first, last = (start + pd.Timedelta(days=min(days, most)) for days in (place, low, high))
    return Span(at, first, last)


def _day_of(place: float, day: Floats, litres: Floats) -> float:
    """Place litres in time; past the last reading the use goes on as it was on the average."""
    if place <= litres[-1]:
        return float(np.interp(place, litres, day))
    per_day = (litres[-1] - litres[0]) / max(day[-1] - day[0], 1e-9)
    return float(day[-1] + (place - litres[-1]) / per_day)


def _action(
    series: Series,
    points: tuple[Floats, Floats, Floats],
    bend: Bend,
    treatment: str,
    facts: HistoryFacts,
    limits: HistoryLimits,
) -> Span | None:
    """Find where the bent line comes to the level at which the trade acts."""
    whole = float(series.raw[-1]) if np.isfinite(series.raw).all() else float(series.treated.max())
    if treatment in ADDS:
        whole = float(series.treated.max())
    if not np.isnan(facts.action_level):
        target = facts.action_level / whole
    elif series.quantity == CONDUCTIVITY:
        target = max(limits.membrane_ratio, 2 * bend.level) if series.permeate else 2 * bend.level
    else:
        drops = limits.hardness_drops if series.quantity == HARDNESS else limits.drops_over_baseline
        target = bend.level + np.sign(bend.slope) * drops * _DROP / whole
    at = reaches(*points, bend, target)
    return _span_of(series, *at) if np.isfinite(at[0]) else None


def _removed(series: Series) -> float:
    if not len(series.litres) or np.isnan(series.raw).any() or series.quantity not in (HARDNESS, ALKALINITY):
        return float("nan")
    return removed_load(series.litres, series.raw - series.treated)


def _schedule(series: Series, facts: HistoryFacts, action: Span | None) -> Schedule:
    return Schedule(
        tested_on=(series.start + pd.Timedelta(days=float(series.day[-1]))).normalize(),
        changed_on=series.changed_on,
        tests_since=len(series.day),
        life_days=facts.life_litres / facts.litres_per_day if facts.litres_per_day > 0 else float("nan"),
        due_on=None if action is None else action.day.normalize(),
    )


def _causes(found: Shapes, series: Series, treatment: str, source: tuple[float, Span | None]) -> tuple[Cause, ...]:
    """Name what each shape means for this treatment."""
    membrane = has_membrane(treatment)
    step, bend = found.best_step, found.best_bend
    odd_day = series.start + pd.Timedelta(days=float(series.day[found.odd_point]))
    shares_of = {
        "steady": found.still * (1 - source[0]),
        "source change": found.still * source[0],
        "failed membrane" if membrane else "exhausted media": found.bend,
        "odd reading": found.odd,
    }
    # A jump behind the membrane is the membrane; in the blend it may be the valve as well.
    broken = found.step * (0.0 if not membrane else 1.0 if series.permeate else 0.5)
    shares_of["failed membrane"] = shares_of.get("failed membrane", 0.0) + broken
    shares_of["moved valve"] = found.step - broken
    evidence = {
        "steady": (Said("verify.evidence.level", {"percent": 100 * found.level}),),
        "exhausted media": (_bent(series, bend),),
        "failed membrane": (_bent(series, bend) if found.bend > found.step else _jump(step.level, step.jump),),
        "moved valve": (_jump(step.level, step.jump),),
        "odd reading": (Said("verify.evidence.odd", {"date": odd_day}),),
        "source change": () if source[1] is None else (Said("verify.evidence.source", {"date": source[1].day}),),
    }
    ranked = sorted(shares_of.items(), key=lambda pair: -pair[1])
    return tuple(
        Cause(name, share, Said(_code(name, treatment)), evidence[name]) for name, share in ranked if share > 0
    )


def _bent(series: Series, bend: Bend) -> Said:
    day = _span_of(series, bend.place, bend.low, bend.high).day
    return Said("verify.evidence.bend", {"percent": 100 * bend.level, "date": day})


def _jump(level: float, jump: float) -> Said:
    return Said("verify.evidence.jump", {"before": 100 * level, "after": 100 * (level + jump)})


def _code(name: str, treatment: str) -> str:
    special = {
        ("exhausted media", "softener"): "verify.cause.exhausted_softener",
        **{("exhausted media", added): "verify.cause.exhausted_bed" for added in ADDS},
    }
    return special.get((name, treatment), f"verify.cause.{name.replace(' ', '_')}")


def _findings(
    top: Cause, action: Span | None, removed: float, facts: HistoryFacts, remarks: tuple[Said, ...]
) -> tuple[Said, ...]:
    said = [
        Said("verify.history.most_likely", {"cause": top.said, "percent": in_percent(top.probability)}),
        *top.evidence,
    ]
    if action is not None:
        said.append(Said("verify.history.action", {"date": action.day}))
    if np.isfinite(removed):
        said.append(Said("verify.history.removed", {"load": float(f"{from_equivalents(removed, LITRE_DEGREES):.2g}")}))
        if facts.capacity_eq > 0:
            said.append(Said("verify.history.capacity", {"percent": 100 * removed / facts.capacity_eq}))
    return (*said, *remarks)


def _too_few(
    ordered: pd.DataFrame,
    treatment: str,
    series: Series | None,
    facts: HistoryFacts,
    source_on: Span | None,
    remarks: tuple[Said, ...],
) -> History:
    used = 0 if series is None else len(series.treated)
    last = None if ordered.empty else pd.Timestamp(ordered["collected_at"].iloc[-1]).normalize()
    plan = Schedule(last, tests_since=max(used, 1)) if series is None else _schedule(series, facts, None)
    said = [Said("verify.history.too_few", {"count": used, "least": FEWEST_SAMPLES})]
    if source_on is not None:
        said.append(Said("verify.evidence.source", {"date": source_on.day}))
    missing = Range(float("nan"), float("nan"), float("nan"), "1")
    after: NextTest = next_test(treatment, plan)
    return History(
        course="too few samples",
        quantity="" if series is None else series.quantity,
        used=used,
        share=missing,
        exhausted_on=None,
        step_on=None,
        action_on=None,
        removed_eq=float("nan") if series is None else _removed(series),
        source_on=source_on,
        causes=(),
        findings=(*said, *remarks),
        next_test=after,
    )
