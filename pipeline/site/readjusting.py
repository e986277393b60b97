"""What is fitted and stays, set anew for the water of its site."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pipeline.checks.treatment_names import MEMBRANE
from pipeline.site.advice import case_of_site
from pipeline.site.record import ALKALINITY, HARDNESS
from pipeline.treat.advice import Window
from pipeline.treat.choosing.optimise import SET_TO, VALVE_STEP, evaluate_settings, optimise, turned
from pipeline.treat.choosing.reasons import how_it_is_set, inlet_ph
from pipeline.treat.choosing.turns import rounded
from pipeline.treat.processes.trains import adds_minerals, has_membrane, stages_of
from pipeline.words import Said

if TYPE_CHECKING:
    from pipeline.assess.profiles import Profile
    from pipeline.site.record import Site
    from pipeline.treat.advice import Advice, Option
    from pipeline.treat.choosing.case import Case

_MARKS: Final = tuple(VALVE_STEP * step for step in range(1, 20))


def set_anew(site: Site, advice: Advice, profile: Profile) -> Advice | None:
    """Set what is fitted for this water; None where no setting of it meets the targets.

    Parameters
    ----------
    site : what is fitted, its waters.
    advice : on the raw water.
    profile : the water aimed at.
    """
    fitted = site.fitted.treatment
    if advice.treatment == fitted or site.raw is None or not turned(fitted):
        return advice
    case = case_of_site(site, site.raw, profile)
    found = _as_fitted(case, fitted, site)
    if found is None:
        return None
    option, said = found
    return replace(
        advice,
        decision="decided",
        row="readjust",
        treatment=fitted,
        settings=option.settings,
        predicted=option.predicted,
        reasons=said,
        conditions=(),
        window=option.window,
    )


def _as_fitted(case: Case, fitted: str, site: Site) -> tuple[Option, tuple[Said, ...]] | None:
    """Find a setting that meets the targets, and what to say of it."""
    if adds_minerals(fitted) and has_membrane(fitted):
        return _of_minerals(case, fitted, site)
    option = optimise(case, fitted)
    if option.fits:
        return option, (*how_it_is_set(case, option), *inlet_ph(option))
    if fitted == MEMBRANE or not has_membrane(fitted):
        return None
    # Behind a softener the valve of a membrane blends softened water, which lacks what is wanted back.
    option = optimise(case, MEMBRANE)
    return (option, (*how_it_is_set(case, option), *_around(fitted), *inlet_ph(option))) if option.fits else None


def _of_minerals(case: Case, fitted: str, site: Site) -> tuple[Option, tuple[Said, ...]] | None:
    """Blend raw water into what cartridge and membrane give, as it was measured; else leave the cartridge out."""
    option = _blended_in(site, case.profile)
    if option is not None:
        return option, (*_said_of(option), *_around(fitted))
    option = optimise(case, MEMBRANE)
    if not option.fits:
        return None
    said = (*how_it_is_set(case, option), Said("site.readjust.without_cartridge"), *_around(fitted))
    return option, (*said, *inlet_ph(option))


def _blended_in(site: Site, profile: Profile) -> Option | None:
    """Find the share of raw water to add to the treated water as it was measured, on a mark of the valve if it can be.

    What is blended in already counts: the settings are those of the valve, not what is to be added.
    """
    bypass = float(site.fitted.settings.get("bypass", 0.0))
    if site.treated is None or site.raw is None or not site.treated.decides or bypass >= 1.0:
        return None
    case, added = case_of_site(site, site.treated, profile), site.raw.samples.filled.iloc[0]
    found = optimise(case, "blend", added)
    if not (found.fits and found.window):
        return None
    low, high = (found.window[0].low, found.window[0].high)
    sure = (found.window[0].sure_low, found.window[0].sure_high)
    share = float(found.settings["share"])
    marks = [mark for mark in _MARKS if sure[0] <= (mark - bypass) / (1.0 - bypass) <= sure[1]]
    total = min(marks, key=lambda mark: abs(mark - bypass - share * (1.0 - bypass)), default=None)
    if total is not None:
        found = evaluate_settings(case, "blend", {"share": (total - bypass) / (1.0 - bypass)}, added)
    own = bypass + share * (1.0 - bypass) if total is None else total
    ends = [bypass + end * (1.0 - bypass) for end in (low, high, *sure)]
    window = Window("bypass", ends[0], ends[1], "1", sure_low=ends[2], sure_high=ends[3])
    return replace(found, settings={"bypass": own}, window=(window,))


def _said_of(option: Option) -> tuple[Said, ...]:
    window = option.window[0]
    amounts = {"hardness": option.predicted[HARDNESS].value, "alkalinity": option.predicted[ALKALINITY].value}
    set_to = {"percent": 100.0 * float(option.settings["bypass"])}
    said = Said("site.readjust.measured", set_to | {name: rounded(value) for name, value in amounts.items()})
    low = VALVE_STEP * math.floor(float(option.settings["bypass"]) / VALVE_STEP + SET_TO)
    between = {"low": 100.0 * low, "high": 100.0 * (low + VALVE_STEP)}
    off_marks = abs(low - float(option.settings["bypass"])) > SET_TO
    said_of_valve = (said, *([Said("choose.set.valve_between", between)] if off_marks else []))
    if math.isnan(window.sure_low):
        return (*said_of_valve, Said("choose.window.probably"))
    ends = {"low": 100.0 * window.sure_low, "high": 100.0 * window.sure_high}
    return (*said_of_valve, Said("choose.window.sure", {**ends, "unit": Said("choose.window.percent")}))


def _around(fitted: str) -> tuple[Said, ...]:
    return (Said("site.readjust.before_softener"),) if "softener" in stages_of(fitted) else ()
