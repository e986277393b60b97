"""A supply that switches between two waters and back: which water it is now, and when the other one is due."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.site.record import ALKALINITY, HARDNESS
from pipeline.verify.outcomes import NextTest
from pipeline.verify.series import RAW, UNSTATED
from pipeline.words import Said
from schemas.columns import OPEN

if TYPE_CHECKING:
    from pipeline.site.record import Site

_LEAST_SAMPLES: Final = 6  # of the tap, from which on a pattern of years can be seen [CP]
_LEAST_SWITCHES: Final = 3  # to the other water, back, and there again [CP]
_APART: Final = 1.25  # times from which on hardness and alkalinity are of another water [CP]
_LEAST_OF_EACH: Final = 2


@dataclass(frozen=True)
class TwoWaters:
    """The two waters of a supply.

    Attributes
    ----------
    now, other : medians of hardness and alkalinity of the water of the last sample, and of the other one.
    other_sample : the latest sample of the other water, an identifier.
    other_on : day of that sample.
    comes_on : first day of the month from which on the other water was there in earlier years; None where the
        months of the two overlap.
    """

    now: pd.Series
    other: pd.Series
    other_sample: str
    other_on: pd.Timestamp
    comes_on: pd.Timestamp | None


def two_waters(site: Site) -> TwoWaters | None:
    """Find the two waters of a supply that goes back and forth; None where it does not, or nobody can tell yet.

    Parameters
    ----------
    site : its samples through time. Those of its tap that are not on hold count, at least six with a day.

    Notes
    -----
    The samples are parted at the widest gap of ln(hardness). Both sides then differ by a quarter in hardness and in
    alkalinity, each holds together better than that, and the supply has switched at least three times [CP].
    """
    waters = _of_the_tap(site)
    if len(waters) < _LEAST_SAMPLES:
        return None
    logs = np.log(waters[HARDNESS].to_numpy())
    ordered = np.sort(logs)
    widest = int(np.diff(ordered).argmax())
    hard = logs > ordered[widest]
    switches = int(np.count_nonzero(np.diff(hard)))
    is_now = hard == hard[-1]
    if switches < _LEAST_SWITCHES or min(is_now.sum(), (~is_now).sum()) < _LEAST_OF_EACH:
        return None
    now, other = (waters.loc[side, [HARDNESS, ALKALINITY]].median() for side in (is_now, ~is_now))
    apart = (now / other) if hard[-1] else (other / now)
    if not (apart >= _APART).all() or np.diff(ordered)[widest] < np.log(_APART) / 2:
        return None
    last = waters[~is_now].iloc[-1]
    return TwoWaters(
        now=now,
        other=other,
        other_sample=str(waters.index[~is_now][-1]),
        other_on=pd.Timestamp(last["collected_at"]).normalize(),
        comes_on=_comes_on(waters["collected_at"], is_now),
    )


def _of_the_tap(site: Site) -> pd.DataFrame:
    if site.series is None or len(site.series) < _LEAST_SAMPLES:
        return pd.DataFrame()
    # Few sites are tested so often: the rest is spared the work.
    if np.isin(site.series["stage"].to_numpy(dtype=object), (*RAW, *UNSTATED)).sum() < _LEAST_SAMPLES:
        return pd.DataFrame()
    narrow = site.series[["collected_at", HARDNESS, ALKALINITY, "stage", "current_verdict"]]
    counts = (
        narrow["stage"].isin([*RAW, *UNSTATED]) & ~narrow["current_verdict"].isin(OPEN) & narrow["collected_at"].notna()
    )
    own = narrow[counts & (narrow[HARDNESS] > 0.0) & (narrow[ALKALINITY] > 0.0)]
    return own.astype({HARDNESS: "float64", ALKALINITY: "float64"}).sort_values("collected_at", kind="stable")


def _comes_on(when: pd.Series, is_now: np.ndarray) -> pd.Timestamp | None:
    """Find the first month after the last sample in which only the other water was ever found."""
    months = pd.to_datetime(when).dt.month.to_numpy()
    own, others = set(months[is_now]), set(months[~is_now])
    if own & others:
        return None
    last = pd.Timestamp(when.iloc[-1])
    ahead = [last.to_period("M") + step for step in range(1, 13)]
    return next(month.to_timestamp() for month in ahead if month.month in others)


def season_test(found: TwoWaters | None) -> NextTest | None:
    """Give the day by which the other water will have come; None where no season is known."""
    if found is None or found.comes_on is None:
        return None
    return NextTest(found.comes_on, Said("site.season.next", {"date": found.comes_on}))


def waters_said(found: TwoWaters) -> tuple[Said, ...]:
    """Say which two waters there are, and what to ask the utility."""
    values = {
        "hardness": float(found.now[HARDNESS]),
        "alkalinity": float(found.now[ALKALINITY]),
        "other_hardness": float(found.other[HARDNESS]),
        "other_alkalinity": float(found.other[ALKALINITY]),
        "date": found.other_on,
    }
    return (Said("site.season.two", values), Said("site.season.ask"))
