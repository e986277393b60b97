"""The pages of a sample: its readings, what may have happened, what was decided; and what happened since a day."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

from flask import request

from pipeline.desk.charts import course_picture
from pipeline.desk.evidence import sample_of, written_cells
from pipeline.desk.pages import desk_settings, language, now, page, plain_rows, reading
from pipeline.desk.queue import wanted
from pipeline.report.causes import by_question, printed_unit
from pipeline.report.judgement import finding_said
from pipeline.report.terminal.explain import why
from pipeline.report.terminal.findings import listed_findings
from pipeline.report.terminal.history import events_said, list_events
from pipeline.store.events import events
from pipeline.store.samples import find_sample
from pipeline.store.site_records import SiteName, site_samples
from schemas.columns import COLUMNS, CONTROLS

if TYPE_CHECKING:
    import pandas as pd
    from flask.typing import ResponseReturnValue

    from pipeline.store.database import Store

_DRAWN: Final = ("total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3", "conductivity_us_cm_25c", "ph")
_TREATED: Final = ("treated", "machine_inlet", "permeate", "hot_outlet")
_MOST_EVENTS: Final = 300


def show_sample(sample_id: str) -> ResponseReturnValue:
    """Show a sample with all that is known of it."""
    with reading() as store:
        known = find_sample(store, sample_id)
        sample = sample_of(store, known)
        cells = written_cells(store, known, "")
        found = plain_rows(listed_findings(store, wanted({"sample": known}, everything=True)))
        told = events_said(store, events(store, sample_id=known), language())
        pictures = site_pictures(store, SiteName(sample["client"] or "", sample["site"] or ""), known)
    reasons = None if sample["activity"] in CONTROLS else why(desk_settings(), known, now())
    return page(
        "sample.html",
        sample=sample,
        cells=cells,
        findings=[{**row, "said": finding_said(row, language())} for row in found],
        questions=[] if reasons is None else by_question(reasons.explanation["causes"]),
        relations=[] if reasons is None else reasons.explanation["relations"],
        asked=[] if reasons is None else reasons.explanation["questions"],
        moments=moments(told),
        pictures=pictures,
    )


def site_pictures(store: Store, site: SiteName, sample_id: str = "") -> list[dict[str, Any]]:
    """Draw the course of a site: hardness, alkalinity, conductivity and pH, before and after a treatment."""
    if not (site.client or site.site):
        return []
    samples = site_samples(store, site)
    kinds = [
        "now" if one == sample_id else "treated" if stage in _TREATED else "raw"
        for one, stage in zip(samples["sample_id"], samples["stage"], strict=True)
    ]
    drawn = []
    for name in _DRAWN:
        unit = printed_unit(COLUMNS[name].unit)
        picture = course_picture(samples["collected_at"], samples[name], kinds, unit)
        if picture is not None:
            basis = COLUMNS[name].basis if name.endswith("_caco3") else ""
            drawn.append({"title": COLUMNS[name].title, "unit": unit, "basis": basis, "picture": picture})
    return drawn


def moments(told: pd.DataFrame) -> list[dict[str, Any]]:
    """Gather events by the moment they happened at, the latest first."""
    rows = plain_rows(told.tail(_MOST_EVENTS).iloc[::-1])
    return [{"at": at, "events": list(own)[::-1]} for at, own in groupby(rows, key=lambda row: row["at"])]


def show_history() -> ResponseReturnValue:
    """Show what happened since a day, and who decided it."""
    since = request.args.get("since", "").strip() or "today"
    told = list_events(desk_settings(), None, since, now())
    return page("history.html", since=since, moments=moments(told), total=len(told), shown=min(len(told), _MOST_EVENTS))
