"""When to test again: the usual intervals of the trade, and the life that is left."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Final

import pandas as pd

from pipeline.reference import table
from pipeline.treat.processes.trains import main_stage
from pipeline.verify.outcomes import NextTest
from pipeline.words import Said

# Treatments of the register -> the situation whose intervals hold for it; others are a new treatment.
_SITUATION: Final[dict[str, str]] = {
    "none": "raw",
    "unsoftened tap": "raw",
    "decarboniser": "decarboniser",
    "buffered decarboniser": "decarboniser",
    "softener": "softener",
    "softener bypass": "softener",
    "reverse osmosis": "reverse osmosis",
    "demineraliser": "reverse osmosis",
    "calcite contact": "remineraliser",
    "remineraliser": "remineraliser",
    "salt dosing": "remineraliser",
    "jug": "home",
    "resin bag": "home",
    "tank cartridge": "home",
}
_LONGEST_DAYS: Final = 3650.0  # a medium nothing uses up has no life to test at
LIFE_OVER: Final = "verify.next.life_over"
REPAIR_DAYS: Final = 14  # test again after a fault was put right [CP]


@dataclass(frozen=True)
class Schedule:
    """What decides when to test next.

    Attributes
    ----------
    tested_on : day of the last test.
    changed_on : day the medium was put in; None where not known.
    tests_since : tests since then, the last one included.
    life_days : computed life of the medium [days]; NaN where not known.
    due_on : day at which it will be used up, from a trend; None without one.
    left_days : from the last test until its life less the reserve is over [days]; below 0 it was over then; NaN where
        not known.
    """

    tested_on: pd.Timestamp | None
    changed_on: pd.Timestamp | None = None
    tests_since: int = 1
    life_days: float = float("nan")
    due_on: pd.Timestamp | None = None
    left_days: float = float("nan")


def next_test(treatment: str, schedule: Schedule, *, fault: bool = False) -> NextTest:
    """Say when to test next.

    Parameters
    ----------
    treatment : name of the register.
    schedule : what is known.
    fault : something has to be put right first.

    Returns
    -------
    NextTest: the earliest of the usual interval, the share of the life at which a test is usual, the end of that life
    and the day the trend ends at; never before the last test. A life that was over by then wants a change at once.

    Notes
    -----
    Intervals of ``reference/retest_intervals.csv`` [CP].
    """
    if schedule.tested_on is None:
        return NextTest(None, Said("verify.next.no_date"))
    if fault:
        on = schedule.tested_on + pd.Timedelta(days=REPAIR_DAYS)
        return NextTest(on, Said("verify.next.repair", {"date": on, "days": REPAIR_DAYS}))
    row = _interval(_SITUATION.get(main_stage(treatment), "new treatment"))
    days = int(row["first_days"] if schedule.tests_since <= 1 else row["then_days"])
    usual = schedule.tested_on + pd.Timedelta(days=days)
    found = {"verify.next.usual": usual}
    share = float(row["life_share"])
    if schedule.changed_on is not None and 0 < share * schedule.life_days < _LONGEST_DAYS:
        found["verify.next.life"] = schedule.changed_on + pd.Timedelta(days=round(share * schedule.life_days))
    if schedule.due_on is not None:
        found["verify.next.trend"] = schedule.due_on
    if abs(schedule.left_days) < _LONGEST_DAYS:
        code = "verify.next.life_end" if schedule.left_days >= 1.0 else LIFE_OVER
        found[code] = schedule.tested_on + pd.Timedelta(days=max(math.floor(schedule.left_days), 1))
    ahead = {code: day for code, day in found.items() if day > schedule.tested_on}
    code = min(ahead, key=lambda name: (ahead[name], name))
    values = {"date": ahead[code], "days": days, "percent": 100 * share}
    return NextTest(ahead[code], Said(code, values))


def yearly_test(tested_on: pd.Timestamp) -> pd.Timestamp:
    """Say when a water that nothing treats is tested again."""
    return tested_on + pd.Timedelta(days=int(_interval("raw")["then_days"]))


@cache
def _interval(situation: str) -> pd.Series:
    rows = table("retest_intervals").set_index("situation")
    found: pd.Series = rows.T[situation]
    return found
