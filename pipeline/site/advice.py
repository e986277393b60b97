"""What to do about the water of a site: its raw water put to the decision table, with what is fitted there."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pipeline.checks.hardness import SOFTENED_WORDS
from pipeline.site.record import ALKALINITY, HARDNESS, RAW_STAGES
from pipeline.site.visit import completed
from pipeline.treat.advice import Advice
from pipeline.treat.choosing.case import Case
from pipeline.treat.choosing.reasons import provisional
from pipeline.words import Said
from schemas.columns import OPEN, WIDE_COLUMNS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.assess.profiles import Profile
    from pipeline.site.record import Site
    from pipeline.site.visit import Visit

SOFTENED: Final = "softened"
_SOFTENED_EXCESS: Final = 20.0  # mg/L as CaCO3 of alkalinity above hardness [CP]
_KEEPS_CHLORIDE: Final = ("decarboniser", "buffered decarboniser", "softener", "magnesium exchanger")


def advise(site: Site, profile: Profile) -> Advice:
    """Ask for advice on the raw water of a site.

    Parameters
    ----------
    site : its facts and samples.
    profile : the water aimed at.
    """
    from pipeline.treat.choosing.choose import choose  # noqa: PLC0415 - scipy is slow to import

    raw = site.raw
    if raw is None or not (raw.knows(HARDNESS) or raw.knows(ALKALINITY)):
        return _no_water()
    advice = choose(case_of_site(site, raw, profile))
    other = _exchanged(site, raw)
    if other is None:
        return advice
    # Nothing is swapped: what a person would have to confirm is shown beside what is written.
    turned = choose(_without_conductivity(case_of_site(site, other, profile)))
    said = provisional("choose.exchanged", turned.options[0]) if turned.options else None
    return advice if said is None else replace(advice, reasons=(*advice.reasons, said))


def _without_conductivity(case: Case) -> Case:
    """Leave the pair's own question and the conductivity out of a case, as if only that reading were on hold."""
    held = case.findings.assign(check_id="conductivity-unit", severity="hold", analyte="conductivity")
    return replace(case, verdict="hold", findings=held.head(1))


def _exchanged(site: Site, raw: Visit) -> Visit | None:
    """Find the treated sample whose bottle may have been exchanged with the one of the raw water on hold."""
    near = [visit for visit in site.held if visit.stage not in RAW_STAGES and visit.decides and _apart(visit)]
    other = next(iter(near), None)
    if other is None or not (raw.held and _apart(raw)) or site.fitted.treatment not in _KEEPS_CHLORIDE:
        return None
    swapped = all(
        other.samples.filled[name].iloc[0] > raw.samples.filled[name].iloc[0] for name in (HARDNESS, ALKALINITY)
    )
    lent = {"chloride_mg_l": raw} if raw.knows("chloride_mg_l") and not other.knows("chloride_mg_l") else {}
    return completed(other, lent) if swapped else None


def _apart(visit: Visit) -> bool:
    """Say whether a sample is on hold because before and after do not fit what is fitted."""
    serious = visit.findings[visit.findings["current_severity"].isin(OPEN)]
    return bool(serious["check_id"].eq("treatment-pattern").any())


def case_of_site(site: Site, raw: Visit, profile: Profile) -> Case:
    """State the case of a site for advice.

    Parameters
    ----------
    site : its facts and samples.
    raw : the sample to advise on.
    profile : the water aimed at.
    """
    table = raw.samples
    serious = raw.findings.assign(severity=raw.findings["current_severity"])
    return Case(
        raw=table.filled.iloc[0],
        uncertainty=table.uncertainty.iloc[0],
        low=table.low.iloc[0],
        high=table.high.iloc[0],
        verdict=raw.verdict,
        findings=serious[["check_id", "severity", "analyte"]],
        stage=raw.stage or "raw",
        label=raw.label,
        machine=site.machine,
        profile=profile,
        litres_per_day=site.fitted.litres,
        supply=supply_of(site, raw),
        treatment=site.fitted.treatment,
        bottled=_bottled(site, raw),
        drain=site.facts.drain,
    )


def supply_of(site: Site, raw: Visit) -> str:
    """Say what the tap gives: softened where a record says so and the readings look like it."""
    hardness, alkalinity = (float(raw.samples.high[name].iloc[0]) for name in (HARDNESS, ALKALINITY))
    words = " ".join([site.facts.supply, *(raw.about(name) for name in ("supply", "treatment", "comment"))]).casefold()
    softened = any(stem in words for stem in SOFTENED_WORDS) and alkalinity > hardness + _SOFTENED_EXCESS
    return SOFTENED if softened else site.facts.supply


def _bottled(site: Site, raw: Visit) -> pd.DataFrame | None:
    """Lay out the bottled waters that are known, without the one that the machine is filled from."""
    waters = site.bottled[site.bottled["sample_id"] != raw.sample_id]
    return waters.set_index("label")[WIDE_COLUMNS].astype("float64") if len(waters) else None


def _no_water() -> Advice:
    return Advice(
        decision="cannot advise",
        row="no raw water",
        treatment="",
        settings={},
        predicted={},
        reasons=(Said("report.no_water.lead"),),
        repeat=(Said("report.no_water.repeat"),),
    )
