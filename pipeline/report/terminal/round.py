"""Answer to `due`: the sites to visit, by date, with the reasons."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.site.machines import machines_of
from pipeline.site.round import round_until
from pipeline.store.database import Store
from pipeline.words import say

if TYPE_CHECKING:
    from datetime import date

    from pipeline.settings import Settings

_COLUMNS: Final = ["on", "overdue_days", "client", "site", "reason", "why", "tested_on"]


def due_table(settings: Settings, until: date, today: date, language: str) -> pd.DataFrame:
    """Lay the round out, one row a site, the earliest first.

    Raises
    ------
    KettlestoneError : there is no store.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        stops = round_until(store, until, today, machines_of(settings))
    rows = [
        {
            "on": f"{stop.on:%Y-%m-%d}",
            "overdue_days": stop.overdue_days,
            "client": stop.name.client,
            "site": stop.name.site,
            "reason": stop.kind,
            "why": " ".join(say(said, language) for said in stop.said),
            "tested_on": "" if stop.tested_on is None else f"{stop.tested_on:%Y-%m-%d}",
        }
        for stop in stops
    ]
    return pd.DataFrame(rows, columns=_COLUMNS)


def due_text(found: pd.DataFrame, until: date) -> str:
    """Write the round for the terminal."""
    if found.empty:
        return f"No site is to be visited by {until:%Y-%m-%d}."
    lines = []
    for row in found.to_dict("records"):
        late = f"  {row['overdue_days']} days overdue" if row["overdue_days"] else ""
        place = " / ".join(part for part in (row["client"], row["site"]) if part)
        lines += [f"{row['on']}  {place}{late}", f"            {row['why']}"]
    return "\n".join(lines)
