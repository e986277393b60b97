"""`advise` and `report`: a site of the store, its advice, and its page."""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

from pipeline.assess.machines import known_machines
from pipeline.assess.profiles import Profile, published
from pipeline.checks.hardness import SOFTENED_WORDS
from pipeline.errors import KettlestoneError
from pipeline.report.client import advice_text
from pipeline.report.client import page as client_page
from pipeline.report.client.contents import ClientReport
from pipeline.report.client.retest import course_of, retest_of
from pipeline.report.client.sentences import RAW_STAGES, Voice
from pipeline.report.client.size import size_of
from pipeline.report.client.units import own_unit
from pipeline.report.client.water import Water, judge, predicted_samples
from pipeline.report.dossier import ALKALINITY, HARDNESS, Dossier, Visit, completed, gather
from pipeline.report.terminal.assess import named_machine
from pipeline.treat.advice import Advice
from pipeline.treat.choosing.case import Case
from pipeline.treat.choosing.reasons import provisional
from pipeline.words import LANGUAGES, Said
from schemas.columns import OPEN, WIDE_COLUMNS

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    import pandas as pd

    from pipeline.settings import Settings
    from pipeline.verify.outcomes import History

DEFAULT_PROFILE: Final = "European water chart 2016"
_SOFTENED: Final = "softened"
_SOFTENED_EXCESS: Final = 20.0  # mg/L as CaCO3 of alkalinity above hardness [CP]
_KEEPS_CHLORIDE: Final = ("decarboniser", "buffered decarboniser", "softener", "magnesium exchanger")
_DECIDED: Final = 0
_OPEN: Final = 1


class Asked(NamedTuple):
    """What a person may say in place of the records; empty leaves it to them."""

    machine: str = ""
    profile: str = ""
    litres_per_day: float | None = None
    language: str = "en"
    unit: str = ""


class Answer(NamedTuple):
    """Text for the screen, the exit code, and what went wrong beside it."""

    text: str
    exit_code: int
    trouble: str


def advise_on(settings: Settings, site: str, asked: Asked, today: date, *, as_json: bool = False) -> Answer:
    """Advise on the water of a site and keep the advice in the store.

    Parameters
    ----------
    settings : where the store is.
    site : site, "client / site", client with one site, or label of a sample.
    asked : what was asked for on the command line.
    today : the day of the advice.
    as_json : data for other programs in place of text.

    Returns
    -------
    Answer; its exit code is 0 where the advice is decided, else 1.

    Raises
    ------
    KettlestoneError : no store, no such site, machine, profile, unit or language.
    """
    report = build(settings, site, asked, today)
    voice = _voice(report.dossier, asked)
    text = advice_text.as_json(report, voice) if as_json else advice_text.text(report, voice)
    return Answer(text, _exit_code(report), _keep(settings, report))


def write_report(settings: Settings, site: str, asked: Asked, today: date, out: Path | None = None) -> Answer:
    """Write the page of a site.

    Parameters
    ----------
    settings, site, asked, today : as for `advise_on`.
    out : file ending in ``.html`` or ``.pdf``; default ``report-<mark of the site>.html`` in the folder
        of results.

    Returns
    -------
    Answer; its text is the path of the page.

    Raises
    ------
    KettlestoneError : as for `advise_on`; another ending, no WeasyPrint for a PDF, or a file that cannot be written.
    """
    if out is not None and out.suffix.lower() not in (".html", ".pdf"):
        raise KettlestoneError(f"{out}: a report is written as .html or .pdf.\n  Nothing was written.")
    report = build(settings, site, asked, today)
    page = client_page.render(report, _voice(report.dossier, asked))
    target = out or settings.out / f"report-{_mark(report.dossier)}.html"
    content = client_page.pdf(page) if target.suffix.lower() == ".pdf" else page.encode()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    except OSError as error:
        raise KettlestoneError(
            f"{target}: the report cannot be written ({error.strerror or error}).\n  Give another file with --out."
        ) from error
    return Answer(str(target), _exit_code(report), _keep(settings, report))


def build(settings: Settings, site: str, asked: Asked, today: date) -> ClientReport:
    """Gather a site and work its advice out; nothing is written.

    Parameters
    ----------
    settings, site, asked, today : as for `advise_on`.
    """
    from pipeline.store.database import Store  # noqa: PLC0415 - duckdb is not needed by the page

    profile = _profile(asked.profile)
    chosen = named_machine(asked.machine, known_machines())
    if asked.litres_per_day is not None and not 0.0 < asked.litres_per_day < math.inf:
        raise KettlestoneError(f"{asked.litres_per_day:g} L a day: give a number above 0. Nothing was advised.")
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        dossier = gather(
            store,
            site,
            machine=known_machines()[chosen] if chosen else None,
            litres_per_day=asked.litres_per_day,
        )
        past = course_of(store, dossier)
    sign = own_unit(dossier.country, asked.unit, dossier.written_unit).sign
    return assemble(dossier, profile, advice_for(dossier, profile), today, sign, past)


def assemble(
    dossier: Dossier, profile: Profile, advice: Advice, today: date, sign: str = "mg/L", past: History | None = None
) -> ClientReport:
    """Judge the waters of a site with its advice.

    Parameters
    ----------
    dossier : what the store holds.
    profile : the water aimed at.
    advice : what to do. A later sample on hold makes decided advice conditional.
    today : the day of the report.
    sign : the client's unit of hardness.
    past : the course of the treatment, where there is one.
    """
    # Advice on a sample on hold is given where what is held decides nothing: its hardness and alkalinity count.
    counts = dossier.raw is not None and (not dossier.raw.held or advice.decision != "cannot advise")
    raw = dossier.raw if counts else None
    if advice.decision == "decided" and any(visit.stage in RAW_STAGES for visit in dossier.held):
        advice = replace(advice, decision="conditional")
    return ClientReport(
        dossier=dossier,
        profile=profile,
        advice=advice,
        raw=_judged(raw, dossier, profile),
        treated=_judged(dossier.treated, dossier, profile) if raw is not None else None,
        expected=_expected(advice, dossier, profile),
        size=() if raw is None else size_of(advice, raw, dossier, sign),
        retest=() if raw is None else retest_of(dossier, today, past),
        earlier=dossier.earlier,
        today=today,
        softened=raw is not None and _supply(dossier, raw) == _SOFTENED,
    )


def _judged(visit: Visit | None, dossier: Dossier, profile: Profile) -> Water | None:
    return None if visit is None else judge(visit.samples, dossier.machine, profile, dossier.litres_per_day)


def _expected(advice: Advice, dossier: Dossier, profile: Profile) -> Water | None:
    known = all(
        name in advice.predicted and not math.isnan(advice.predicted[name].value) for name in (HARDNESS, ALKALINITY)
    )
    if advice.decision == "cannot advise" or advice.treatment in ("none", "") or not known:
        return None
    return judge(predicted_samples(advice.predicted), dossier.machine, profile, dossier.litres_per_day)


def advice_for(dossier: Dossier, profile: Profile) -> Advice:
    """Ask for advice on the raw water of a site.

    Parameters
    ----------
    dossier : what the store holds.
    profile : the water aimed at.
    """
    from pipeline.treat.choosing.choose import choose  # noqa: PLC0415 - scipy is not needed by a page of given advice

    raw = dossier.raw
    if raw is None or not (raw.knows(HARDNESS) or raw.knows(ALKALINITY)):
        return _no_water()
    advice = choose(case_of_site(dossier, raw, profile))
    other = _exchanged(dossier, raw)
    if other is None:
        return advice
    # Nothing is swapped: what a person would have to confirm is shown beside what is written.
    turned = choose(_without_conductivity(case_of_site(dossier, other, profile)))
    said = provisional("choose.exchanged", turned.options[0]) if turned.options else None
    return advice if said is None else replace(advice, reasons=(*advice.reasons, said))


def _without_conductivity(case: Case) -> Case:
    """Leave the pair's own question and the conductivity out of a case, as if only that reading were on hold."""
    held = case.findings.assign(check_id="conductivity-unit", severity="hold", analyte="conductivity")
    return replace(case, verdict="hold", findings=held.head(1))


def _exchanged(dossier: Dossier, raw: Visit) -> Visit | None:
    """Find the treated sample whose bottle may have been exchanged with the one of the raw water on hold."""
    near = [visit for visit in dossier.held if visit.stage not in RAW_STAGES and visit.decides and _apart(visit)]
    other = next(iter(near), None)
    if other is None or not (raw.held and _apart(raw)) or dossier.treatment not in _KEEPS_CHLORIDE:
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


def case_of_site(dossier: Dossier, raw: Visit, profile: Profile) -> Case:
    """State the case of a site for advice.

    Parameters
    ----------
    dossier : what the store holds.
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
        machine=dossier.machine,
        profile=profile,
        litres_per_day=dossier.litres_per_day,
        supply=_supply(dossier, raw),
        treatment=dossier.treatment,
        bottled=_bottled(dossier),
        drain=dossier.drain,
    )


def _supply(dossier: Dossier, raw: Visit) -> str:
    """Say what the tap gives: softened where a record says so and the readings look like it."""
    hardness, alkalinity = (float(raw.samples.high[name].iloc[0]) for name in (HARDNESS, ALKALINITY))
    words = " ".join([dossier.supply, *(raw.about(name) for name in ("supply", "treatment", "comment"))]).casefold()
    softened = any(stem in words for stem in SOFTENED_WORDS) and alkalinity > hardness + _SOFTENED_EXCESS
    return _SOFTENED if softened else dossier.supply


def _bottled(dossier: Dossier) -> pd.DataFrame | None:
    waters = dossier.bottled
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


def _profile(name: str) -> Profile:
    waters = published()
    if name and name not in waters:
        raise KettlestoneError(f'there is no profile "{name}". Known: {", ".join(waters)}. Nothing was advised.')
    return waters[name or DEFAULT_PROFILE]


def _voice(dossier: Dossier, asked: Asked) -> Voice:
    if asked.language not in LANGUAGES:
        raise KettlestoneError(f'language "{asked.language}": use one of {", ".join(LANGUAGES)}.')
    return Voice(asked.language, own_unit(dossier.country, asked.unit, dossier.written_unit))


def _exit_code(report: ClientReport) -> int:
    return _DECIDED if report.advice.decision == "decided" else _OPEN


def _mark(dossier: Dossier) -> str:
    """Name a site in a file name; names that clients chose are never part of a path."""
    return hashlib.sha256("\n".join(dossier.site).encode()).hexdigest()[:8]


def _keep(settings: Settings, report: ClientReport) -> str:
    """Add the advice to the store; a store that cannot be written is said, not fatal: the answer stands."""
    from pipeline.store.database import Store  # noqa: PLC0415 - duckdb is not needed by the page
    from pipeline.store.site_records import add_advice  # noqa: PLC0415

    try:
        with Store(settings.store, wait_s=settings.lock_wait_s) as store:
            add_advice(store, advice_text.stored(report))
    except KettlestoneError as error:
        return f"the advice was not kept in the store: {error}"
    return ""
