"""What is doubtful about the raw sample that an advice rests on: its age, its own note, the series it stands in."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.site.record import ALKALINITY, HARDNESS
from pipeline.site.season import two_waters
from pipeline.verify.series import PAIR_DAYS, RAW, UNSTATED
from pipeline.words import Said
from schemas.columns import OPEN

if TYPE_CHECKING:
    from pipeline.site.record import Site
    from pipeline.site.visit import Visit

OLDEST_PAIR_DAYS: Final = 30.0  # of two waters further apart nobody knows whether the supply was the same [CP]
_OTHER_WATER: Final = 1.25  # times the middle of the series, up or down, in hardness and alkalinity alike [CP]
_OTHER_DAY: Final = 1.6  # the same of one or two earlier samples, which make no series yet [CP]
_SERIES: Final = 3  # earlier samples that make a series [CP]
# What a person writes beside a sample that is none of the ordinary water of the tap.
_DOUBTS: Final = re.compile(
    r"\b(?:not|un)[ -]?flushed|first draw|stagnant|standing water|doubt|unsure|not sure|uncertain|wrong (?:tap|bottle)"
    r"|unsicher|fraglich|zweifel|(?:nicht|un)[ ]?gespült|abgestanden|standwasser|falscher hahn"
    r"|douteu|incertain|pas sûr|non purgé|non rincé|eau stagnante|premier jet"
    r"|dubbi|incert|non spurgat|acqua ferma|primo getto|duda|dudos|inciert|sin purgar|agua estancada"
    r"|twijfel|onzeker|niet gespoeld|stilstaand|疑わし|未フラッシュ|滞留|存疑|不确定|未冲洗|\?\s*$",
    re.IGNORECASE,
)


def base_doubts(site: Site) -> tuple[Said, ...]:
    """Say why the raw sample may not be the water that is to be treated; each is a condition of the advice.

    Parameters
    ----------
    site : its samples.
    """
    raw = site.raw
    if raw is None:
        return ()
    # Of two waters that come and go every year, each is told from the other by itself.
    another = () if two_waters(site) is not None else _another_water(site, raw)
    return (*_noted(raw), *_older(site, raw), *another)


def days_between(site: Site) -> tuple[Said, ...]:
    """Say of which days raw and treated water are, where they are of two."""
    gap = _gap(site)
    if site.raw is None or site.treated is None or not PAIR_DAYS < abs(gap) <= OLDEST_PAIR_DAYS:
        return ()
    return (Said("site.basis.two_days", _days(site.raw, site.treated, gap)),)


def _noted(raw: Visit) -> tuple[Said, ...]:
    note = raw.about("comment")
    return (Said("site.basis.noted", {"label": raw.label, "note": note}),) if _DOUBTS.search(note) else ()


def _older(site: Site, raw: Visit) -> tuple[Said, ...]:
    gap = _gap(site)
    if site.treated is None or not gap > OLDEST_PAIR_DAYS:
        return ()
    return (Said("site.basis.older", _days(raw, site.treated, gap)),)


def _gap(site: Site) -> float:
    """Count the days from the raw to the treated sample; missing where either has no date."""
    if site.raw is None or site.treated is None or pd.isna(site.raw.day) or pd.isna(site.treated.day):
        return float("nan")
    return float((site.treated.day - site.raw.day) / pd.Timedelta(days=1))


def _days(raw: Visit, treated: Visit, gap: float) -> dict[str, object]:
    return {"raw": raw.day.normalize(), "treated": treated.day.normalize(), "days": round(abs(gap))}


def _another_water(site: Site, raw: Visit) -> tuple[Said, ...]:
    """Compare hardness and alkalinity with the usable samples before: both off on one side is another water."""
    if site.series is None:
        return ()
    before = site.series[
        site.series["stage"].isin([*RAW, *UNSTATED])
        & ~site.series["current_verdict"].isin(OPEN)
        & (site.series["collected_at"] < raw.day)
    ]
    before = before[before[[HARDNESS, ALKALINITY]].notna().all(axis=1)]
    few = 1 if len(before) < _SERIES else 2 * _SERIES
    usual = before[[HARDNESS, ALKALINITY]].astype("float64").tail(few).median()
    if before.empty or usual.isna().any() or not (usual > 0.0).all():
        return ()
    own = raw.samples.filled[[HARDNESS, ALKALINITY]].iloc[0].astype("float64")
    ratio = own / usual
    least = _OTHER_WATER if len(before) >= _SERIES else _OTHER_DAY
    if not ((ratio > least).all() or (ratio < 1.0 / least).all()):
        return ()
    values = {"label": raw.label, "hardness": float(own[HARDNESS]), "usual": float(usual[HARDNESS])}
    if len(before) < _SERIES:
        last = before["collected_at"].iloc[-1].normalize()
        return (Said("site.basis.other_day", {**values, "before": last, "date": raw.day.normalize()}),)
    return (Said("site.basis.other_water", values),)
