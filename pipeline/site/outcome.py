"""In one word, what is to happen at a site: from what its retest proved and what the advice is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from pipeline.checks.treatment_names import MEMBRANE
from pipeline.site.record import ALKALINITY, HARDNESS
from pipeline.site.retest import RISEN
from pipeline.treat.processes.decarbonising import WEAK_ACID
from pipeline.treat.processes.naming import NONE
from pipeline.treat.processes.trains import main_stage
from pipeline.treat.processes.treatments import TREATMENTS
from pipeline.verify.circumstantial import EXHAUSTED_CARBON
from pipeline.verify.pair import PAIR_ON_HOLD
from pipeline.verify.series import PERMEATE
from pipeline.words import Said

if TYPE_CHECKING:
    from pipeline.site.record import Site
    from pipeline.site.retest import Retest
    from pipeline.site.water import SiteWater
    from pipeline.treat.advice import Advice
    from pipeline.verify.outcomes import Verification

Outcome = Literal["keep", "readjust", "change-medium", "repair", "replace", "fit", "nothing-needed", "ask-first"]
# What the likeliest cause of a failed test asks for; any other has to be asked about first.
_BY_CAUSE: Final[dict[str, Outcome]] = {
    "exhausted media": "change-medium",
    EXHAUSTED_CARBON: "change-medium",
    "failed membrane": "repair",
    "moved valve": "readjust",
    "source change": "readjust",
    "no effect": "repair",
}
_REGENERATED: Final = ("softener", "softener bypass")  # used up, it wants salt and its service, no cartridge
_OUTSIDE: Final = ("low", "high")
_CARBON: Final = "carbon"


def outcome_of(site: Site, advice: Advice, retest: Retest | None, treated: SiteWater | None) -> Outcome:
    """Say what is to happen.

    Parameters
    ----------
    site : what is fitted.
    advice : on its raw water.
    retest : of what is fitted, None where nothing was read behind it.
    treated : the water behind it as measured, compared with profile and machine.

    Returns
    -------
    `fit`, `nothing-needed` where nothing is fitted; `keep` where it works and its water suits; `readjust`,
    `change-medium`, `repair` where it can give the water; `replace` where it cannot; `ask-first` where that is
    not known.
    """
    fitted = site.fitted.treatment
    found = None if retest is None or retest.replaced else retest.verification
    if fitted in ("", NONE):
        unknown = site.fitted.written if not fitted else ""
        behind = found is not None and bool(found.causes) and found.causes[0].name == "another treatment"
        nobody = not fitted and site.course is not None
        return "ask-first" if unknown or behind or nobody else _of_the_tap(advice)
    if retest is not None and not retest.replaced and retest.course.course == "exhausted":
        return _worn(fitted)
    if found is None:
        return _untested(site, advice, treated)
    suits = _suits(site, treated)
    told = {said.code for said in found.findings}
    if fitted == _CARBON and found.outcome == "cannot tell" and PAIR_ON_HOLD not in told and not suits:
        return _of_untouched_minerals(advice)
    if RISEN in told or (found.outcome == "cannot tell" and not suits):
        return "ask-first"
    return _of_the_pair(fitted, advice, found, suits=suits)


def _of_the_pair(fitted: str, advice: Advice, found: Verification, *, suits: bool) -> Outcome:
    """Go by what comes out first: a water that suits is kept unless a fault of the treatment is named."""
    cause = found.causes[0].name if found.causes else ""
    if found.outcome == "not proved" and cause == "as set":
        return _worn(fitted)  # nothing recorded, and next to nothing is left of its work
    if found.outcome == "proved" or cause == "as set":
        return "keep" if suits else _of_a_working(fitted, advice)
    if cause == "exhausted media":
        return _worn(fitted)
    named = _BY_CAUSE.get(cause, "ask-first")
    return "keep" if suits and named in ("ask-first", "readjust") else named


def _of_the_tap(advice: Advice) -> Outcome:
    if advice.decision == "cannot advise":
        return "ask-first"
    return "nothing-needed" if advice.treatment == NONE else "fit"


def _worn(fitted: str) -> Outcome:
    return "repair" if main_stage(fitted) in _REGENERATED else "change-medium"


def _untested(site: Site, advice: Advice, treated: SiteWater | None) -> Outcome:
    """Without a pair of one visit only the water itself speaks, and where there is none, the advice."""
    fitted = site.fitted.treatment
    if treated is not None and not site.facts.replaced:
        return "keep" if _suits(site, treated) else "ask-first"
    if site.course is not None:
        return "ask-first"
    return _of_untouched_minerals(advice) if fitted == _CARBON else _of_a_working(fitted, advice)


def _of_untouched_minerals(advice: Advice) -> Outcome:
    """Say what becomes of carbon: whether it works or not, it leaves hardness and alkalinity as they are."""
    return "keep" if advice.treatment in (_CARBON, NONE) else _of_a_working(_CARBON, advice)


def _of_a_working(fitted: str, advice: Advice) -> Outcome:
    """Say what becomes of a treatment that works, or is taken to, and whose water is not what is wanted."""
    if advice.decision == "cannot advise":
        return "ask-first"
    main = main_stage(fitted)
    able = advice.treatment in (fitted, main) or (
        main == MEMBRANE and advice.treatment in WEAK_ACID
    )  # blended, a membrane gives that water too
    if able:
        return "readjust"
    return "nothing-needed" if advice.treatment == NONE else "replace"


def _suits(site: Site, treated: SiteWater | None) -> bool:
    """Say whether the water behind the treatment meets the profile and spares the machine, as measured."""
    if treated is None or site.treated is None or site.treated.stage in PERMEATE:
        return False
    known = {HARDNESS, ALKALINITY} <= treated.readings.keys()
    outside = site.machine.brews and any(state in _OUTSIDE for state in treated.states.values())
    return known and not outside and not treated.machine.endswith("act")


def _unnamed(site: Site, treated: SiteWater | None) -> tuple[Said, ...]:
    """Say what to do about water behind a treatment that nobody names."""
    return (Said("site.outcome.ask_what_good" if _suits(site, treated) else "site.outcome.ask_what"),)


def only_carbon(outcome: Outcome, retest: Retest | None, treated: SiteWater | None) -> bool:
    """Say whether the carbon alone of what is fitted is used up: the minerals of its water are as they should be."""
    found = None if retest is None else retest.verification
    if outcome != "change-medium" or found is None or treated is None or not found.causes:
        return False
    minerals = [state for name, state in treated.states.items() if not name.endswith("chlorine_mg_l")]
    return found.causes[0].name == EXHAUSTED_CARBON and not any(state in _OUTSIDE for state in minerals)


def outcome_said(
    outcome: Outcome, site: Site, advice: Advice, treated: SiteWater | None, *, carbon: bool = False
) -> tuple[Said, ...]:
    """Say what is to happen to what is fitted; nothing where nothing is. ``carbon``: see `only_carbon`."""
    fitted = site.fitted.treatment
    if fitted in ("", NONE):
        return _unnamed(site, treated) if not fitted and site.course is not None else ()
    other = TREATMENTS.get(advice.treatment)
    values = {"treatment": TREATMENTS[fitted].title, "other": "" if other is None else other.title}
    watched = outcome == "keep" and treated is not None and treated.machine.endswith("attention")
    kept = "keep" if site.machine.brews else "keep_machine"
    named = "change-carbon" if carbon else f"{kept}_watch" if watched else kept if outcome == "keep" else outcome
    return (Said(f"site.outcome.{named}", values),)
