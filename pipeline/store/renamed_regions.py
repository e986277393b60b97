"""Regions that were renamed: all their sites stop bearing one name and go on under another."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    import pandas as pd

    from pipeline.store.database import Store

_LEAST_SITES: Final = 3  # one or two sites may as well have moved
_SHARE: Final = 0.8  # of the sites on either side
_OVERLAP: Final = timedelta(days=91)  # not everybody writes the new name from the same day on


@dataclass(frozen=True)
class Renaming:
    """A region that bears another name since a day; ``sites`` were seen under both."""

    old: str
    new: str
    since: date
    sites: int

    def __str__(self) -> str:
        """Say what was taken for one region."""
        return f"{self.old} is called {self.new} since {self.since}, at {self.sites} sites: told as {self.new}."


def regions_renamed(store: Store) -> list[Renaming]:
    """Find the regions of a store that were renamed."""
    stays = store.connection.sql("""
        SELECT client, site, region, min(collected_at) AS "first", max(collected_at) AS "last" FROM sample
        WHERE region <> '' AND site <> '' AND collected_at IS NOT NULL GROUP BY ALL
    """).df()
    return renamings(stays)


def renamings(stays: pd.DataFrame) -> list[Renaming]:
    """Find the regions whose sites go on, nearly all of them and at the same time, under one other name.

    A single site that moves into another region renames none: the others stay behind.

    Parameters
    ----------
    stays : `client site region first last`, when a site was sampled under the name of a region; no name is empty.
    """
    # As numbers: a country has thousands of sites, and texts are slow to look up.
    named = stays[["region", "first", "last"]].assign(house=stays.groupby(["client", "site"], observed=True).ngroup())
    if not named["house"].duplicated().any():
        return []
    both = named.merge(named, on="house", suffixes=("_old", "_new"))
    both = both[(both["region_old"] != both["region_new"]) & (both["first_old"] < both["first_new"])]
    pairs = both.groupby(["region_old", "region_new"]).size().reset_index(name="sites")
    found = []
    for old, new, sites in pairs[pairs["sites"] >= _LEAST_SITES].itertuples(index=False):
        before, after = named[named["region"] == old], named[named["region"] == new]
        since = after["first"].min()
        going_on = before["house"].isin(named["house"][named["last"] >= since])
        there_before = after["house"].isin(named["house"][named["first"] < since])
        at_once = before["last"].max() <= since + _OVERLAP
        if at_once and sites >= _SHARE * max(going_on.sum(), there_before.sum()):
            found.append(Renaming(str(old), str(new), since.date(), int(sites)))
    return sorted(found, key=lambda one: (one.since, one.old))


def last_names(renamed: Iterable[Renaming]) -> dict[str, str]:
    """Give the name that each renamed region bears today, through several renamings too."""
    names: dict[str, str] = {}
    for one in renamed:  # in the order of time
        names = {old: one.new if last == one.old else last for old, last in names.items()} | {one.old: one.new}
    return names


def names_of_region(region: str, names: dict[str, str]) -> list[str]:
    """Give all names under which a region was ever sampled, whichever of them is asked for.

    Parameters
    ----------
    names : of ``last_names``.
    """
    last = names.get(region, region)
    return [last, *(old for old, new in names.items() if new == last)]
