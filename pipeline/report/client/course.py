"""A site through the years: hardness, alkalinity and conductivity of every visit, and when a medium was changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import pandas as pd

from pipeline.report.client.units import unit_of
from pipeline.site.record import ALKALINITY, HARDNESS
from pipeline.verify.series import PERMEATE, RAW, TREATED
from schemas.columns import OPEN

if TYPE_CHECKING:
    from pipeline.report.client.sentences import Voice
    from pipeline.site.answer import SiteAnswer

_SHOWN: Final = (HARDNESS, ALKALINITY, "conductivity_us_cm_25c")
_MOST: Final = 8  # rows, so that the page stays two sheets; the store has them all
_FEWEST_DAYS: Final = 3  # two visits are said in a sentence
_USUAL: Final = 0.10  # relative, of a reading for its digits [CP]


class CourseRow(NamedTuple):
    """One sample, or one change of the medium (then without cells)."""

    day: str
    what: str
    cells: list[str]


def course_heads(voice: Voice) -> list[str]:
    """Name the columns of the quantities, each with its unit."""
    return [f"{voice.quantity(name)} {unit_of(name, voice.unit)}".strip() for name in _SHOWN]


def course_rows(report: SiteAnswer, voice: Voice) -> list[CourseRow]:
    """Lay the visits of a site out, the latest last; nothing where there are too few to be a course.

    Parameters
    ----------
    report : its samples; one on hold says nothing.
    voice : language and unit.
    """
    series = report.site.series
    if series is None:
        return []
    used = series[
        series["stage"].isin([*RAW, "", *TREATED, *PERMEATE])
        & series["collected_at"].notna()
        & ~series["current_verdict"].isin(OPEN)
    ]
    if used["collected_at"].dt.normalize().nunique() < _FEWEST_DAYS:
        return []
    raw = used["stage"].isin([*RAW, ""])
    entries = [
        (pd.Timestamp(when), 1, _sample(row, voice, raw=bool(first)))
        for when, first, (_, row) in zip(used["collected_at"], raw, used.iterrows(), strict=True)
    ]
    first_day = used["collected_at"].min()
    entries += [
        (when, 0, CourseRow(voice.day(when), voice.say("report.course.changed"), []))
        for when in report.site.facts.changes
        if when >= first_day
    ]
    return [row for _, _, row in sorted(entries, key=lambda entry: entry[:2])][-_MOST:]


def _sample(row: pd.Series, voice: Voice, *, raw: bool) -> CourseRow:
    cells = [
        "" if pd.isna(row[name]) else voice.reading(name, float(row[name]), _USUAL * float(row[name]))
        for name in _SHOWN
    ]
    what = voice.say("report.table.raw" if raw else "report.table.treated")
    return CourseRow(voice.day(row["collected_at"]), what, cells)
