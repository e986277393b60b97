"""Does what is fitted do its work, since when not, why, and when to test next: data, not yet in words."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.errors import KettlestoneError
from pipeline.site.facts import capacity, fitted_since
from pipeline.site.pairing import fullest_pair
from pipeline.site.season import season_test, two_waters
from pipeline.treat.processes.naming import NONE
from pipeline.treat.processes.trains import adds_minerals, has_membrane, in_tank
from pipeline.treat.processes.treatments import TREATMENTS, has_bypass, treat
from pipeline.treat.sizing.capacity import EQUIVALENTS_PER_UNIT
from pipeline.treat.sizing.size import RESERVE, SizeFacts, size
from pipeline.verify import Circumstances, HistoryFacts, Schedule, history, together, unstated, verify
from pipeline.verify.outcomes import in_percent
from pipeline.verify.promised import Pledge, one_witness, promises
from pipeline.verify.series import PAIR_DAYS, PERMEATE, RAW, TREATED
from pipeline.words import Said
from schemas.columns import OPEN, WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from pipeline.site.record import Site, Timeline
    from pipeline.site.statements import Fitted
    from pipeline.store.site_records import SiteName
    from pipeline.verify.outcomes import Cause, History, NextTest, Verification
    from pipeline.verify.promised import Promise

LIKELIEST: Final = "verify.history.most_likely"
RISEN: Final = "verify.later_up"
_TO_DO: Final = {
    ("exhausted carbon", ""): "verify.do.carbon",
    ("exhausted media", ""): "verify.do.change",
    ("exhausted media", "softener"): "verify.do.regenerate",
    ("failed membrane", ""): "verify.do.membrane",
    ("moved valve", ""): "verify.do.valve",
}
_LONGEST_DAYS: Final = 3650.0  # a medium nothing uses up has no end
_TIED: Final = 1.5  # two causes so close in probability are equal [CP]
_FOLLOWED: Final = ("alkalinity_mg_l_caco3", "total_hardness_mg_l_caco3")  # shows a worn medium first [CP]
_CONDUCTIVITY: Final = "conductivity_us_cm_25c"


@dataclass(frozen=True)
class Retest:
    """What the last pair of a site and its course prove.

    Attributes
    ----------
    treatment, settings : what the pair was compared with: what was fitted on its day; "none" where nobody says.
    stated : whether anybody says what is fitted.
    replaced : whether something else has been fitted since.
    verification : of the pair, None where there is no pair.
    course : the reading of the samples through time.
    next_test, overdue_days : when to test next, and how long ago that was.
    spent_on : day on which the filling is used up by its capacity, the reserve kept back; None where not known.
    """

    treatment: str
    settings: Mapping[str, float]
    stated: bool
    replaced: bool
    verification: Verification | None
    course: History
    next_test: NextTest
    overdue_days: int
    spent_on: pd.Timestamp | None = None

    @property
    def proved(self) -> bool:
        """Say whether the treatment is proved and nothing has changed since."""
        found = self.verification
        steady = found is not None and found.outcome == "proved" and self.course.course in ("steady", "too few samples")
        risen = found is not None and RISEN in {said.code for said in found.findings}
        return steady and not risen and not self.replaced


def verified(site: Site, today: date, *, brief: bool = False, promised: Promise | None = None) -> Retest | None:
    """Compare the last pair of a site with what was fitted on its day, and read its course.

    Parameters
    ----------
    site : its facts and samples.
    today : a next test that lies before it is overdue.
    brief : only the outcome and the days are wanted, causes where these hang on them.
    promised : what is fitted makes of the raw water of the last pair, where `foretold` said so.

    Returns
    -------
    Retest; None where no sample is from behind a treatment, or where the treatment that is written is not known.
    """
    course, then = site.course, site.facts.fitted_then
    if course is None or (then.written and not then.treatment):
        return None
    treatment = then.treatment or NONE
    facts = _history_facts(site, course, treatment)
    past = history(course.samples, treatment, facts, course.uncertainty)
    known = replace(_circumstances(course, treatment, facts), brief=brief, promised=promised)
    found = _of_pair(site, course, treatment, known)
    spent = _spent_on(site, known.schedule, today)
    if found is not None:
        found = _as_guess(_judged_together(found, past), site, then)
        found = replace(found, findings=(*fitted_since(site.facts), *found.findings, *later_reading(course)))
    plan = _plan(found, past, season_test(two_waters(site)))
    return Retest(
        treatment=treatment,
        settings=then.settings,
        stated=bool(then.written),
        replaced=site.facts.replaced,
        verification=found,
        course=past,
        next_test=plan,
        overdue_days=0 if plan.on is None else max((today - plan.on.date()).days, 0),
        spent_on=spent,
    )


def foretold(sites: Sequence[Site]) -> dict[SiteName, Promise]:
    """Predict the treated water of many sites at once, where the prediction hangs on nothing but the raw water.

    What a membrane does is read from its permeate where it was tested, and what a mineral cartridge or the little resin
    of a jug or a tank does from the treated water: those come one by one.
    """
    pledges = {}
    for site in sites:
        course, then = site.course, site.facts.fitted_then
        treatment = then.treatment or NONE
        known = course is not None and course.raw and (then.treatment or not then.written)
        of_product = adds_minerals(treatment) or in_tank(treatment)
        open_ended = of_product or TREATMENTS[treatment].second_water == "must"
        if course is not None and has_membrane(treatment):
            open_ended |= bool(np.isin(course.samples["stage"].to_numpy(dtype=object), PERMEATE).any())
        if course is not None and known and not open_ended:
            waters = course.samples[WIDE_COLUMNS].astype("float64").T
            raw, _ = one_witness(waters[course.raw], waters[course.treated])
            settings = {name: value for name, value in then.settings.items() if name != "bypass"}
            pledges[site.name] = Pledge(raw, course.uncertainty.T[course.raw], treatment, settings)
    return dict(zip(pledges, promises([*pledges.values()]), strict=True))


def _of_pair(site: Site, course: Timeline, treatment: str, known: Circumstances) -> Verification | None:
    """Verify the last pair; a blend whose second water nobody measured promises nothing."""
    if not course.raw or TREATMENTS[treatment].second_water == "must":
        return None
    samples, spread = course.samples.T, course.uncertainty.T
    widths: tuple[pd.Series, pd.Series] = (spread[course.raw], spread[course.treated])
    settings = site.facts.fitted_then.settings
    return verify(samples[course.raw], samples[course.treated], treatment, settings, widths, visit=known)


def _spent_on(site: Site, schedule: Schedule, today: date) -> pd.Timestamp | None:
    """Name the day on which the filling of the last test is used up; None where another has been put in since."""
    if schedule.tested_on is None or math.isnan(schedule.left_days) or abs(schedule.left_days) > _LONGEST_DAYS:
        return None
    later = [day for day in site.facts.changes if schedule.tested_on < day <= pd.Timestamp(today)]
    if later or site.facts.replaced:
        return None
    return schedule.tested_on + pd.Timedelta(days=math.floor(schedule.left_days))


def _judged_together(found: Verification, past: History) -> Verification:
    """Let pair and course give one answer: the cause that is named first is the one both make likeliest."""
    causes = together(found.causes, past.causes)
    if not causes:
        return found
    top = Said(LIKELIEST, {"cause": causes[0].said, "percent": in_percent(causes[0].probability)})
    tied = [Said("verify.as_likely", {"cause": cause.said}) for cause in causes[1:2]
            if cause.probability * _TIED >= causes[0].probability]  # fmt: skip
    groups = [
        [top, *tied, *_what_to_do(found, causes[0])] if said.code == LIKELIEST else [said] for said in found.findings
    ]
    findings = [said for group in groups for said in group]
    if causes[0].name == "as set" and past.causes and past.causes[0].name == "source change":
        findings.insert(1, Said("verify.do.source"))
    return replace(found, causes=causes, findings=tuple(findings))


def _what_to_do(found: Verification, cause: Cause) -> list[Said]:
    """Say what the likeliest cause asks for."""
    code = _TO_DO.get((cause.name, found.treatment), _TO_DO.get((cause.name, ""), ""))
    return [Said(code)] if code else []


def _as_guess(found: Verification, site: Site, then: Fitted) -> Verification:
    """Where nothing is recorded as fitted there is nothing to prove: say so, and what the pair looks like."""
    if then.treatment not in ("", NONE):
        return found
    stated = bool(then.written)
    causes = found.causes if stated else unstated(found.causes)
    likeliest = {"cause": causes[0].said, "percent": in_percent(causes[0].probability)} if causes else {}
    first = Said("verify.outcome.none_recorded" if stated else "verify.outcome.unstated", {"site": site.name.name})
    likely = tuple(
        Said(LIKELIEST, likeliest) if said.code == LIKELIEST else said
        for said in found.findings
        if not said.code.startswith("verify.outcome.") and said.code != "verify.differs"
    )
    return replace(found, causes=causes, findings=(first, *likely))


def _plan(found: Verification | None, past: History, season: NextTest | None) -> NextTest:
    """Take the earliest: the day after the pair, after the course, and that on which the supply changes."""
    plans = [one for one in (None if found is None else found.next_test, past.next_test, season) if one is not None]
    return min(plans, key=lambda plan: pd.Timestamp.max if plan.on is None else plan.on)


def later_reading(course: Timeline) -> tuple[Said, ...]:
    """Name the reading behind the treatment that is younger than the pair and has no raw water beside it.

    Returns
    -------
    what was read then and now, and that it has risen where it did by more than both readings can be off; else nothing.
    """
    stages = course.samples["stage"].to_numpy(dtype=object)
    places = np.flatnonzero(np.isin(stages, TREATED))
    # Mostly the pair is the last of all, and nothing later needs a look.
    if not course.raw or not places.size or str(course.samples.index[places[-1]]) == course.treated:
        return ()
    samples = course.samples[["label", "stage", "collected_at", "current_verdict", *_FOLLOWED]]
    counts = samples["stage"].isin(TREATED) & ~samples["current_verdict"].isin(OPEN)
    behind = samples[counts & samples["collected_at"].notna()]
    if behind.empty or course.treated not in behind.index:
        return ()
    last = str(behind.index[-1])
    known = [name for name in _FOLLOWED if behind.loc[[course.treated, last], name].notna().all()]
    if behind["collected_at"][last] <= behind["collected_at"][course.treated] or not known:
        return ()
    name = known[0]
    then, now = (float(behind[name].astype("float64")[sample]) for sample in (course.treated, last))
    off = math.hypot(*(float(course.uncertainty[name].fillna(0.0)[sample]) for sample in (course.treated, last)))
    values = {"label": str(behind["label"][last]), "date": pd.Timestamp(behind["collected_at"][last]).normalize(),
              "name": Said(f"verify.name.{name}"), "now": now, "then": then}  # fmt: skip
    return (Said("verify.later", values), *((Said(RISEN),) if now - then > off else ()))


def _history_facts(site: Site, course: Timeline, treatment: str) -> HistoryFacts:
    """Put changes of the medium, use and capacity together."""
    number, unit = capacity(site.facts.register)
    facts = HistoryFacts(
        changes=site.facts.changes,
        litres_per_day=site.facts.fitted_then.litres,
        capacity_eq=number * EQUIVALENTS_PER_UNIT.get(unit, math.nan),
    )
    return replace(facts, life_litres=_life_litres(site, course, treatment))


def _life_litres(site: Site, course: Timeline, treatment: str) -> float:
    """Work out the rated life from the capacity and what the medium took out fresh; missing where it cannot be."""
    number, unit = capacity(site.facts.register)
    if not course.raw or math.isnan(number):
        return math.nan
    waters = course.samples[WIDE_COLUMNS].astype("float64")
    raw, treated = fullest_pair(course.samples, site.facts.changes) or (course.raw, course.treated)
    set_to = site.facts.fitted_then.settings
    facts = SizeFacts(capacity=number, capacity_unit=unit)
    try:
        lives = [size(waters.loc[[raw]], waters.loc[[treated]], treatment, facts).litres.value]
        # What is worn out takes little, and must not seem to last the longer for it: at a known setting it is foretold.
        if "bypass" in set_to and has_bypass(treatment):
            foretold_water = treat(waters.loc[[raw]], treatment, set_to).reindex(columns=WIDE_COLUMNS)
            lives.append(size(waters.loc[[raw]], foretold_water, treatment, facts).litres.value)
    except KettlestoneError:
        return math.nan  # the readings do not give the load; the table of the retest says which is missing
    return min((life for life in lives if not math.isnan(life)), default=math.nan)


def _circumstances(course: Timeline, treatment: str, facts: HistoryFacts) -> Circumstances:
    """Say what is known of the last pair besides its readings."""
    treated, samples = course.treated, course.samples
    pair = [name for name in (course.raw, treated) if name]
    when = samples["collected_at"][treated]
    counter = float(samples["counter_litres"].astype("float64")[treated])
    changed = max((day for day in facts.changes if pd.notna(when) and day <= when), default=None)
    tested = samples[samples["stage"].isin([*TREATED, *PERMEATE]) & samples["collected_at"].notna()]["collected_at"]
    tests = int((tested >= changed).sum()) if changed is not None else len(tested)
    life = facts.life_litres
    permeate, baseline = _membrane(course, treatment)
    return Circumstances(
        permeate=permeate,
        permeate_baseline=baseline,
        used=_litres_through(counter, facts.litres_per_day, when, changed) / life if life > 0 else math.nan,
        before_blending=str(samples["stage"][treated]) in PERMEATE,
        on_hold=bool(samples.loc[pair, "current_verdict"].isin(OPEN).any()),
        schedule=Schedule(
            tested_on=None if pd.isna(when) else pd.Timestamp(when).normalize(),
            changed_on=changed,
            tests_since=max(tests, 1),
            life_days=life / facts.litres_per_day if facts.litres_per_day > 0 else math.nan,
            left_days=_left_days(
                life, _litres_through(counter, facts.litres_per_day, when, changed), facts.litres_per_day
            ),
        ),
    )


def _litres_through(counter: float, litres_per_day: float, when: pd.Timestamp, changed: pd.Timestamp | None) -> float:
    """Count the litres that went through a medium up to a test: by its counter, else by days since it was put in."""
    if not math.isnan(counter) or changed is None or pd.isna(when):
        return counter
    return (when - changed) / pd.Timedelta(days=1) * litres_per_day


def _left_days(life: float, litres: float, litres_per_day: float) -> float:
    """Count the days from a test until the life less its reserve is over."""
    if not (life > 0.0 and litres_per_day > 0.0):
        return math.nan
    return ((1.0 - RESERVE) * life - litres) / litres_per_day


def _membrane(course: Timeline, treatment: str) -> tuple[pd.Series | None, float]:
    """Find the permeate of the visit, and what earlier ones let through."""
    if not has_membrane(treatment) or not course.raw:
        return None, math.nan
    samples = course.samples[course.samples["collected_at"].notna()]
    own = samples[samples["stage"].isin(PERMEATE)]
    when = course.samples["collected_at"][course.treated]
    near = (own["collected_at"] - when).abs() <= pd.Timedelta(days=PAIR_DAYS)
    feed = float(samples.loc[samples["stage"].isin(RAW), _CONDUCTIVITY].median())
    earlier = float(own.loc[~near, _CONDUCTIVITY].median()) / feed if (~near).any() and feed > 0 else math.nan
    return (own[near][WIDE_COLUMNS].iloc[-1] if near.any() else None), earlier
