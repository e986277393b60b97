"""The round: which sites to visit by a day, and why: a test is due, a medium is used up, a repeat is wanted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from pipeline.site.record import KEEPS_MINERALS, courses
from pipeline.site.retest import foretold, verified
from pipeline.site.season import season_test, two_waters
from pipeline.verify.intervals import LIFE_OVER, yearly_test
from pipeline.verify.series import RAW, UNSTATED
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date

    from pipeline.assess.machines import Machine
    from pipeline.site.record import Site
    from pipeline.store.database import Store
    from pipeline.store.site_records import SiteName
    from pipeline.verify.promised import Promise

NEVER, REPEAT, USED_UP, NEXT_TEST, YEARLY = "never tested raw", "repeat wanted", "used up", "next test", "yearly"
UNTESTED = "treatment never tested"


@dataclass(frozen=True)
class Stop:
    """One site of the round.

    Attributes
    ----------
    name : client and site.
    on : the day by which it is to be visited.
    kind : `NEVER`, `REPEAT`, `USED_UP`, `UNTESTED`, `NEXT_TEST` or `YEARLY`: the most pressing reason.
    said : all reasons, the most pressing first.
    overdue_days : how long ago that day was.
    tested_on : the last test, None where there is none.
    """

    name: SiteName
    on: pd.Timestamp
    kind: str
    said: tuple[Said, ...]
    overdue_days: int
    tested_on: pd.Timestamp | None


def round_until(store: Store, until: date, today: date, machines: Mapping[str, Machine] | None = None) -> list[Stop]:
    """List the sites that are to be visited by a day, the earliest first.

    Parameters
    ----------
    store : open.
    until : the last day of the round.
    today : what lies before it is overdue.
    machines : those that are known, where there are more than the built-in ones.
    """
    from pipeline.store.site_records import (  # noqa: PLC0415 - duckdb is not needed by the reports
        SiteName,
        known_sites,
        repeats_wanted,
    )

    repeats = repeats_wanted(store)
    sites = [*courses(store, known_sites(store), today, machines)]
    promised = foretold(sites)
    found = []
    for site in sites:
        named = {site.name, SiteName("", site.name.site)}
        own = [repeat for name in named for repeat in repeats.get(name, [])]
        found += list(_stops(site, own, today, promised.get(site.name)))
    return sorted(
        (stop for stop in found if stop.on <= pd.Timestamp(until)),
        key=lambda stop: (stop.on, stop.name),
    )


def _stops(
    site: Site, repeats: Sequence[tuple[str, pd.Timestamp]], today: date, promised: Promise | None
) -> Iterator[Stop]:
    """Give the stop of one site, if any day is set for it."""
    day = pd.Timestamp(today)
    due = sorted(_reasons(site, repeats, today, promised), key=lambda one: one[0])
    if not due:
        return
    first = due[0]
    yield Stop(
        name=site.name,
        on=first[0],
        kind=first[1],
        said=tuple(said for _, _, said in due if said is not None),
        overdue_days=max((day - first[0]).days, 0),
        tested_on=_tested_on(site),
    )


def _reasons(
    site: Site, repeats: Sequence[tuple[str, pd.Timestamp]], today: date, promised: Promise | None
) -> Iterator[tuple[pd.Timestamp, str, Said]]:
    day = pd.Timestamp(today)
    for label, since in repeats:
        yield since, REPEAT, Said("round.repeat", {"label": label, "date": since})
    if not (_raw_days(site) or _only_bottled(site)):
        yield day, NEVER, Said("round.never")
    retest = verified(site, today, brief=True, promised=promised)
    if retest is None:
        yield from _of_the_tap(site, today)
        return
    if not retest.replaced and retest.course.course == "exhausted":
        yield day, USED_UP, Said("round.used_up")
    if retest.spent_on is not None:
        yield retest.spent_on, USED_UP, Said("round.spent", {"date": retest.spent_on})
    told = retest.spent_on is not None and retest.next_test.said.code == LIFE_OVER
    if retest.next_test.on is not None and not told:
        yield retest.next_test.on.normalize(), NEXT_TEST, retest.next_test.said


def _of_the_tap(site: Site, today: date) -> Iterator[tuple[pd.Timestamp, str, Said]]:
    """Say when the tap is to be tested again where nothing behind a treatment was read."""
    tested, season = _tested_on(site), season_test(two_waters(site))
    if tested is None:
        return
    if site.fitted.treatment not in KEEPS_MINERALS:
        yield pd.Timestamp(today), UNTESTED, Said("round.untested")
    if season is not None and season.on is not None:
        yield season.on, NEXT_TEST, season.said
    due = yearly_test(tested)
    yield due, YEARLY, Said("round.yearly", {"date": due})


def _only_bottled(site: Site) -> bool:
    """Say whether the machine gets water from bottles alone: there is no tap to test."""
    return site.series is not None and len(site.series) > 0 and bool(site.series["stage"].eq("bottled").all())


def _raw_days(site: Site) -> list[pd.Timestamp]:
    """Give the days on which the tap was tested; a sample that names no stage is taken as of the tap."""
    if site.series is None:
        return []
    return [
        pd.Timestamp(when) for when in site.series.loc[site.series["stage"].isin([*RAW, *UNSTATED]), "collected_at"]
    ]


def _tested_on(site: Site) -> pd.Timestamp | None:
    when = None if site.series is None else site.series["collected_at"].max()
    return None if when is None or pd.isna(when) else pd.Timestamp(when).normalize()
