"""The one answer about a site: its waters, its retest, the advice, and the outcome that follows from them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from pipeline.assess.machines import known_machines, named_machine
from pipeline.assess.profiles import Profile, published
from pipeline.errors import KettlestoneError
from pipeline.site.advice import SOFTENED, advise, case_of_site, supply_of
from pipeline.site.basis import base_doubts, days_between
from pipeline.site.outcome import only_carbon, outcome_of, outcome_said
from pipeline.site.record import ALKALINITY, HARDNESS, RAW_STAGES, site_record
from pipeline.site.retest import verified
from pipeline.site.season import two_waters, waters_said
from pipeline.site.sizing import size_of
from pipeline.site.water import MACHINE_LIMITS, predicted_samples, site_water
from pipeline.treat.choosing.cautions import cautions_for
from pipeline.treat.processes.decarbonising import LEAST_INLET_PH, WEAK_ACID
from pipeline.treat.processes.trains import main_stage
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from pipeline.assess.machines import Machine
    from pipeline.site.outcome import Outcome
    from pipeline.site.record import Site
    from pipeline.site.retest import Retest
    from pipeline.site.visit import Visit
    from pipeline.site.water import SiteWater
    from pipeline.store.database import Store
    from pipeline.treat.advice import Advice

DEFAULT_PROFILE: Final = "European water chart 2016"
_STAYS: Final = ("readjust", "change-medium", "repair")  # what is fitted stays, set for this water


@dataclass(frozen=True)
class SiteAnswer:
    """What there is to say about one site on one day.

    Attributes
    ----------
    site : what the store holds.
    profile : the water aimed at.
    advice : what to do.
    outcome : the same in one word.
    retest : whether what is fitted does its work; None where nothing was read behind it.
    raw, treated, expected : the waters before and after what is fitted, and with the advice; None where
        there is none, or it is on hold.
    today : the day of the answer.
    softened : the sample before treatment is of a softened tap.
    """

    site: Site
    profile: Profile
    advice: Advice
    outcome: Outcome
    retest: Retest | None
    raw: SiteWater | None
    treated: SiteWater | None
    expected: SiteWater | None
    today: date
    softened: bool = False

    @property
    def now(self) -> SiteWater | None:
        """Give the water that reaches the machine today, as far as it was measured."""
        return self.treated or self.raw

    @property
    def advised(self) -> bool:
        """Say whether there is advice, also on a condition."""
        return self.advice.decision != "cannot advise"

    @property
    def verdict(self) -> tuple[Said, ...]:
        """Give the outcome as a sentence, where something is fitted."""
        carbon = only_carbon(self.outcome, self.retest, self.treated)
        return outcome_said(self.outcome, self.site, self.advice, self.treated, carbon=carbon)

    def size(self, sign: str) -> tuple[Said, ...]:
        """Say what the advice means in litres, days, salt and waste, in the client's unit of hardness."""
        raw = self.site.raw
        return () if self.raw is None or raw is None else size_of(self.advice, raw, self.site, sign)


def answer_of(
    store: Store,
    text: str,
    today: date,
    *,
    machine: str = "",
    profile: str = "",
    litres_per_day: float | None = None,
    machines: Mapping[str, Machine] | None = None,
) -> SiteAnswer:
    """Gather a site from the store and answer for it.

    Parameters
    ----------
    store : open.
    text : the site as a person names it.
    today : the day of the answer.
    machine, profile, litres_per_day : in place of what the records say; empty leaves it to them.
    machines : the machines that are known, where there are more than the built-in ones.

    Raises
    ------
    KettlestoneError : no such site, machine or profile, or impossible litres.
    """
    known = dict(machines or known_machines())
    aim, meant = _profile(profile), named_machine(machine, known)
    if litres_per_day is not None and not 0.0 < litres_per_day < math.inf:
        raise KettlestoneError(f"{litres_per_day:g} L a day: give a number above 0. Nothing was advised.")
    chosen = known[meant] if meant else None
    site = site_record(store, text, today, machine=chosen, litres_per_day=litres_per_day, machines=known)
    return answered(site, aim, advise(site, aim), today)


def answered(site: Site, profile: Profile, advice: Advice, today: date) -> SiteAnswer:
    """Judge the waters of a site with its advice.

    Parameters
    ----------
    site : what the store holds.
    profile : the water aimed at.
    advice : what to do with its raw water. A later sample on hold makes decided advice conditional.
    today : the day of the answer.
    """
    # Advice on a sample on hold is given where what is held decides nothing: its hardness and alkalinity count.
    counts = site.raw is not None and (not site.raw.held or advice.decision != "cannot advise")
    raw = site.raw if counts else None
    if advice.decision == "decided" and any(visit.stage in RAW_STAGES for visit in site.held):
        advice = replace(advice, decision="conditional")
    treated = _judged(site.treated, site, profile) if raw is not None or site.raw is None else None
    retest = verified(site, today)
    outcome = outcome_of(site, advice, retest, treated)
    carbon = only_carbon(outcome, retest, treated)
    if outcome in _STAYS and not carbon:
        readjusted = _set_anew(site, advice, profile)
        outcome = "replace" if outcome == "readjust" and readjusted is None else outcome
        advice = advice if readjusted is None else readjusted
    if outcome == "ask-first" and advice.decision == "decided":
        advice = replace(advice, decision="conditional")
    spent = _spent(retest, today)
    stays = outcome == "keep" or carbon
    given = _kept(site, advice, treated, spent) if stays else _on_doubts(site, advice)
    given = _with_both_waters(site, given, profile)
    if outcome == "keep" or outcome in _STAYS:  # what it warns of hangs on the treatment that stays
        proved = site.raw is None or site.raw.verdict != "unjudged"
        given = replace(given, cautions=cautions_for(given, site.machine, proved=proved))
    return SiteAnswer(
        site=site,
        profile=profile,
        advice=given,
        outcome=outcome,
        retest=retest,
        raw=_judged(raw, site, profile),
        treated=treated,
        expected=None if stays else _expected(given, site, profile),
        today=today,
        softened=raw is not None and supply_of(site, raw) == SOFTENED,
    )


def _set_anew(site: Site, advice: Advice, profile: Profile) -> Advice | None:
    from pipeline.site.readjusting import set_anew  # noqa: PLC0415 - scipy is slow to import

    return set_anew(site, advice, profile)


def _with_both_waters(site: Site, advice: Advice, profile: Profile) -> Advice:
    """Where the supply goes back and forth between two waters, advise on both, and let the advice depend on it."""
    from pipeline.treat.choosing.choose import choose  # noqa: PLC0415 - scipy is slow to import

    found = two_waters(site)
    other = None if found is None else next((one for one in site.visits if one.sample_id == found.other_sample), None)
    if found is None or other is None or advice.decision == "cannot advise":
        return advice
    there = choose(case_of_site(site, other, profile))
    named = Said(f"choose.answer.{there.treatment.replace(' ', '_') or 'none_of_the_rows'}")
    share = there.settings.get("bypass")
    then = (
        Said("site.season.answer", {"answer": named})
        if share is None
        else Said("site.season.answer_set", {"answer": named, "percent": 100.0 * float(share)})
    )
    return replace(advice, decision="conditional", conditions=(*advice.conditions, *waters_said(found), then))


def _on_doubts(site: Site, advice: Advice) -> Advice:
    """Let an advice depend on what is doubtful about its raw sample, and say of which days its waters are."""
    if advice.decision == "cannot advise":
        return advice
    found = base_doubts(site)
    return replace(
        advice,
        decision="conditional" if found else advice.decision,
        reasons=(*advice.reasons, *days_between(site)),
        conditions=(*found, *advice.conditions),
    )


def _kept(site: Site, advice: Advice, treated: SiteWater | None, spent: tuple[Said, ...]) -> Advice:
    """Advise what is there: the treatment that works, at its setting, with the water that was measured behind it."""
    return replace(
        advice,
        decision="conditional" if site.held else "decided",
        row="keep",
        treatment=site.fitted.treatment,
        settings=dict(site.fitted.settings),
        predicted={} if treated is None else dict(treated.readings),
        reasons=(*spent, *_low_ph(site, treated)),
        conditions=(),
        window=(),
    )


def _spent(retest: Retest | None, today: date) -> tuple[Said, ...]:
    """Say since when the filling is used up by its capacity: the water was right when it was tested, not for ever."""
    if retest is None or retest.spent_on is None or retest.spent_on.date() > today:
        return ()
    return (Said("site.keep.spent", {"date": retest.spent_on}),)


def _low_ph(site: Site, treated: SiteWater | None) -> tuple[Said, ...]:
    """Say what helps where the water behind weak-acid resin stays sour."""
    ph = None if treated is None else treated.readings.get("ph")
    sour = ph is not None and ph.value < MACHINE_LIMITS["ph"][0]
    if ph is None or not sour or main_stage(site.fitted.treatment) not in WEAK_ACID:
        return ()
    return (Said("site.keep.ph", {"ph": ph.value, "least": LEAST_INLET_PH}),)


def _judged(visit: Visit | None, site: Site, profile: Profile) -> SiteWater | None:
    return None if visit is None else site_water(visit.samples, site.machine, profile, site.fitted.litres)


def _expected(advice: Advice, site: Site, profile: Profile) -> SiteWater | None:
    known = all(
        name in advice.predicted and not math.isnan(advice.predicted[name].value) for name in (HARDNESS, ALKALINITY)
    )
    if advice.decision == "cannot advise" or advice.treatment in ("none", "") or not known:
        return None
    return site_water(predicted_samples(advice.predicted), site.machine, profile, site.fitted.litres)


def _profile(name: str) -> Profile:
    waters = published()
    if name and name not in waters:
        raise KettlestoneError(f'there is no profile "{name}". Known: {", ".join(waters)}. Nothing was advised.')
    return waters[name or DEFAULT_PROFILE]
