"""Sites put together by hand, without a store."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline.assess.machines import known_machines
from pipeline.assess.profiles import published
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import samples_from_wide
from pipeline.site.answer import DEFAULT_PROFILE, answered
from pipeline.site.facts import Facts
from pipeline.site.record import Site
from pipeline.site.statements import Fitted
from pipeline.site.visit import Visit
from pipeline.store.site_records import SiteName
from pipeline.treat.advice import Advice, Range
from pipeline.words import Said

if TYPE_CHECKING:
    from pipeline.site.answer import SiteAnswer

HARDNESS = "total_hardness_mg_l_caco3"
ALKALINITY = "alkalinity_mg_l_caco3"
TODAY = date(2026, 3, 20)


def make_visit(label: str = "R-1", *, verdict: str = "ok", findings: list[str] | None = None, **columns: Any) -> Visit:  # noqa: ANN401 - columns
    """Put one sample together; ``hardness``, ``alkalinity`` with ``_u`` for their uncertainty, else columns."""
    given = {
        "sample_id": label,
        "label": label,
        "stage": "raw",
        HARDNESS: 303.4,
        f"{HARDNESS}.u": 36.0,
        ALKALINITY: 232.0,
        f"{ALKALINITY}.u": 29.0,
    }
    row = given | {f"{name}_mg_l" if name in ("chloride", "sodium") else name: value for name, value in columns.items()}
    checks = findings or []
    return Visit(
        sample_id=label,
        label=label,
        stage=str(row["stage"]),
        day=pd.Timestamp(row.pop("day", "2026-03-01")),
        samples=with_derived(samples_from_wide(pd.DataFrame([row]))),
        findings=pd.DataFrame({"check_id": checks, "current_severity": ["hold"] * len(checks), "analyte": ""}),
        verdict=verdict,
    )


def make_site(**changes: Any) -> Site:  # noqa: ANN401 - fields
    """Put a German bar with a heat exchanger and a decarboniser together; fields of its facts go by their names."""
    fitted = Fitted(
        treatment=changes.pop("treatment", "decarboniser"),
        litres=changes.pop("litres", 40.0),
        said_by="site",
        written="decarboniser",
    )
    facts = Facts(
        fitted=fitted,
        fitted_then=fitted,
        register=changes.pop("register", {}),
        changes=(),
        country="DE",
        supply="",
        machine=changes.pop("machine", known_machines()["heat exchanger"]),
        machine_text="HX",
        drain=None,
    )
    usual = Site(
        name=SiteName("Client A", "Site 1"),
        facts=facts,
        raw=make_visit(),
        treated=None,
        earlier=None,
        lent={},
        held=(),
        bottled=pd.DataFrame(),
    )
    return replace(usual, **changes)


def make_advice(**changes: Any) -> Advice:  # noqa: ANN401 - fields
    """Advise a decarboniser with a quarter of raw water."""
    predicted = {
        HARDNESS: Range(125.0, 107.0, 143.0, "mg/L"),
        ALKALINITY: Range(53.5, 45.0, 62.0, "mg/L"),
        "ph": Range(6.7, 6.4, 7.0, ""),
    }
    usual = Advice(
        decision="decided",
        row="6",
        treatment="decarboniser",
        settings={"bypass": 0.25},
        predicted=predicted,
        reasons=(Said("report.cup.flat"),),
    )
    return replace(usual, **changes)


def make_answer(site: Site | None = None, advice: Advice | None = None) -> SiteAnswer:
    """Answer for a site with given advice."""
    if site is None and advice is None:
        return _usual()
    return answered(site or make_site(), published()[DEFAULT_PROFILE], advice or make_advice(), TODAY)


@cache
def _usual() -> SiteAnswer:
    return answered(make_site(), published()[DEFAULT_PROFILE], make_advice(), TODAY)
