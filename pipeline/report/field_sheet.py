"""A page for a phone without network: the sites of a round with their last readings, and what to type at each."""

from __future__ import annotations

import hashlib
import math
from typing import TYPE_CHECKING, Any, Final

from pipeline.checks.conductivity import ConductivityLimits
from pipeline.checks.dissolved_solids import DissolvedSolidsLimits
from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.kits import QUANTITIES, known_kits, named_kit
from pipeline.report.batch.page import environment
from pipeline.report.wording import counted
from pipeline.site.machines import machines_of
from pipeline.site.record import KEEPS_MINERALS, site_record
from pipeline.site.round import round_until
from pipeline.store.database import Store
from pipeline.words import Said, say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date
    from pathlib import Path

    import pandas as pd

    from pipeline.settings import Settings
    from pipeline.site.record import Site

# Field of the sheet -> what the view `v_sample` calls it, and the least and most that can be typed.
_FIELDS: Final[dict[str, tuple[str, float, float]]] = {
    "hardness": ("total_hardness_mg_l_caco3", 0.0, 100.0),
    "alkalinity": ("alkalinity_mg_l_caco3", 0.0, 100.0),
    "used": ("", 0.5, 500.0),
    "ec": ("conductivity_us_cm_25c", 0.0, 100_000.0),
    "tds": ("tds_mg_l", 0.0, 100_000.0),
    "ph": ("ph", 0.0, 14.0),
    "temperature": ("temperature_c", 0.0, 100.0),
    "chlorine": ("free_chlorine_mg_l", 0.0, 50.0),
    "counter": ("", 0.0, 1e9),
}
# Columns of the CSV, as `intake` reads them: key of the page -> heading.
_COLUMNS: Final[dict[str, str]] = {
    "client": "client",
    "site": "site",
    "label": "sample",
    "date": "date",
    "stage": "stage",
    "hardness": "hardness drops",
    "alkalinity": "alkalinity drops",
    "degree": "degree per drop",
    "unit": "kit unit",
    "nominal": "nominal volume",
    "used": "volume used",
    "ec": "conductivity (µS/cm)",
    "tds": "TDS (ppm)",
    "ph": "pH",
    "temperature": "temperature (°C)",
    "chlorine": "free chlorine (mg/L)",
    "counter": "counter litres",
    "operator": "operator",
    "note": "comment",
}
_SAID: Final = (
    "no_number", "outside", "whole", "ec_hardness", "ec_alkalinity", "tds", "alkalinity_over", "changed", "hardness",
    "alkalinity", "ec", "not_kept", "sure",
)  # fmt: skip
_CHANGED: Final = 1.5  # times the last reading from which on it is worth a second look [CP]


def write_field_sheet(
    settings: Settings, sites: Sequence[str], until: date | None, today: date, target: Path, language: str
) -> str:
    """Write the sheet of a round.

    Parameters
    ----------
    settings : where the store is, and the kit.
    sites : as a person names them.
    until : last day of the round whose sites come with them; None for none.
    today : the day of the sheet.
    target : file ending in ``.html``.
    language : of the page.

    Returns
    -------
    what was written.

    Raises
    ------
    KettlestoneError : no store, no such site or kit, no site at all, or a file that cannot be written.
    """
    named_kit(settings.kit, settings.kits)
    known = machines_of(settings)
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        due = [] if until is None else [stop.name.name for stop in round_until(store, until, today, known)]
        found = {name: site_record(store, name, today, machines=known) for name in dict.fromkeys([*sites, *due])}
    records = {site.name: site for site in found.values()}
    if not records:
        raise KettlestoneError(f"no site is named or due, so there is no sheet. {UNCHANGED}")
    page = _page(settings, list(records.values()), today, language)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(page, encoding="utf-8")
    except OSError as error:
        raise KettlestoneError(f"{target}: cannot be written ({error.strerror or error}). {UNCHANGED}") from error
    sites_in_it = counted(len(records), "site")
    return f"{target}: {sites_in_it}; what it hands over is read by kettlestone intake FILE.csv"


def _page(settings: Settings, sites: Sequence[Site], today: date, language: str) -> str:
    def words(code: str) -> str:
        return say(Said(f"field.{code}"), language)

    kits = list(known_kits(settings.kits).values())
    names = "\n".join(site.name.name for site in sites)
    numbers = {
        "sheet": hashlib.sha256(f"{today} {names}".encode()).hexdigest()[:12],
        "kits": [
            {name: getattr(kit, name) for name in ("name", "degree_per_drop", "degree_unit", "drop_mg_l", "nominal_ml")}
            for kit in kits
        ],
        "columns": [{"key": key, "heading": heading} for key, heading in _COLUMNS.items()],
        "bounds": {name: [least, most] for name, (_, least, most) in _FIELDS.items()},
        "meq": MG_CACO3_PER_MEQ,
        "highest_hardness": ConductivityLimits().highest_hardness_sulfate,
        "highest_alkalinity": ConductivityLimits().highest_alkalinity,
        "meter_ratio": DissolvedSolidsLimits().meter_ratio,
        "changed": _CHANGED,
        "words": {code: words(f"said.{code}") for code in _SAID},
    }
    return (
        environment()
        .get_template("field_sheet.html.j2")
        .render(
            language=language,
            words=words,
            today=f"{today:%Y-%m-%d}",
            today_or_later="2100-01-01",
            kits=kits,
            chosen=settings.kit,
            stops=[_stop(site, language) for site in sites],
            fields=list(_FIELDS),
            numbers=numbers,
        )
    )


def _stop(site: Site, language: str) -> dict[str, Any]:
    """Lay out one site: what it is, and its points with what was read there last."""
    fitted = site.fitted.treatment
    facts = [site.facts.machine_text]
    if fitted:
        facts.append(say(Said(f"treat.{fitted.replace(' ', '-')}"), language))
    stages = ["raw"] if fitted in KEEPS_MINERALS and site.treated is None else ["raw", "treated"]
    return {
        "client": site.name.client,
        "site": site.name.site,
        "name": site.name.name,
        "facts": [fact for fact in facts if fact],
        "points": [_point(site, stage, language) for stage in stages],
    }


def _point(site: Site, stage: str, language: str) -> dict[str, Any]:
    last = _last(site, stage)
    shown = dict.fromkeys(_FIELDS, "")
    for name, value in last.items():
        unit = " mg/L" if name in QUANTITIES else ""
        values = {"value": f"{_rounded(value)}{unit}", **_when(site, stage)}
        shown[name] = say(Said("field.last", values), language)
    return {"stage": stage, "last": last, "shown": shown}


def _last(site: Site, stage: str) -> dict[str, float]:
    """Give the latest reading of each field at a point."""
    rows = _of_stage(site, stage)
    if rows is None:
        return {}
    latest = {name: rows[column].astype("float64").dropna() for name, (column, _, _) in _FIELDS.items() if column}
    return {name: float(values.iloc[-1]) for name, values in latest.items() if len(values)}


def _of_stage(site: Site, stage: str) -> pd.DataFrame | None:
    if site.series is None:
        return None
    own = site.series[site.series["stage"] == stage]
    return own if len(own) else None


def _when(site: Site, stage: str) -> Mapping[str, object]:
    rows = _of_stage(site, stage)
    dates = None if rows is None else rows["collected_at"].dropna()
    return {"date": "" if dates is None or dates.empty else dates.iloc[-1]}


def _rounded(value: float) -> str:
    return f"{value:.3g}" if not math.isnan(value) and value < 1000.0 else f"{value:.0f}"  # noqa: PLR2004 - three digits
