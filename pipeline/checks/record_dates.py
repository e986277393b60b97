"""Dates of a record: their order, and whether the way they are written can be read in two ways."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.checks import evidence, record
from pipeline.checks.columns import first_that_holds
from pipeline.checks.registry import check

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.arrays import Flags
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class DateLimits:
    """Limits of the date checks."""

    now: pd.Timestamp | None = None  # UTC; without it a future date is not looked for
    zone_slack_days: float = 0.5  # a local day may begin 12 h after the UTC day [ISO8601]

    @classmethod
    def at(cls, now: datetime) -> DateLimits:
        """Judge dates by a time (UTC)."""
        return cls(now=pd.Timestamp(now))


_ISO: Final = r"\d{4}-"
_ERA: Final = r"^\s*(?:[RHS]\s*\d{1,2}\s*[./年-]|令和|平成|昭和)"
_TWO_DIGIT: Final = r"^\s*\d{1,2}\s*[./-]\s*\d{1,2}\s*[./-]\s*'?\d{2}(?:\D|$)"
_SLASHED: Final = r"^\s*(?P<first>\d{1,2})\s*[/-]\s*(?P<second>\d{1,2})\s*[/-]\s*\d{2,4}(?:\D|$)"
_MONTHS: Final = 12
EITHER_ORDER: Final = "can be day/month or month/day"


@check(
    "date-order",
    title="Taken, received, analysed: in this order and not in the future",
    source="CP",
    limits=DateLimits,
    severity="hold",
    unit="days",
    message="The sample is dated {collected}, {observed:0} days after {later}{alternative}. "
    "Ask for the date of sampling.",
)
def date_order(samples: SampleTable, limits: DateLimits) -> Cases:
    """Compare the date of sampling with today, receipt and analysis.

    Nothing is analysed before it is taken: day and month are swapped, or the row is another one's.

    Parameters
    ----------
    samples : `collected_at`, `received_on`, `analysed_on`.
    limits : ``now`` (UTC), ``zone_slack_days`` [days].

    Returns
    -------
    one row per sample with a date and something to compare it with; `observed` the days by which it lies
    after the earliest of them.

    Notes
    -----
    A date without time covers its whole day; half a day is allowed for time zones [ISO8601]. If swapping
    day and month puts everything in order, `alternative` shows that date; it is not used.
    """
    collected = samples.once(record.instants, "collected_at")
    now = np.datetime64("NaT", "us") if limits.now is None else limits.now.tz_localize(None).to_datetime64()
    later = {
        "the analysis": record.last_instants(samples, "analysed_on"),
        "the receipt": record.last_instants(samples, "received_on"),
        "today": np.full(len(samples), now, dtype="datetime64[us]"),
    }
    late = {name: record.days(collected, day) for name, day in later.items()}
    worst = np.fmax.reduce(list(late.values()))
    earliest = np.fmin.reduce(list(later.values()))
    out = worst > limits.zone_slack_days
    return {
        "observed": worst,
        "low": np.nan,
        "high": limits.zone_slack_days,
        "collected": _words_where(out, record.dates(collected[out])),
        "later": first_that_holds(len(samples), {name: days == worst for name, days in late.items()}),
        "alternative": _words_where(out, _swap_words(collected[out], earliest[out])),
    }


def _words_where(mask: Flags, words: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    result: npt.NDArray[np.object_] = np.full(len(mask), "", dtype=object)
    result[mask] = words
    return result


def _swap_words(moments: record.Instants, earliest: record.Instants) -> npt.NDArray[np.object_]:
    """Say the date with day and month exchanged where it would come before all the others."""
    plain, limit = moments.astype("datetime64[D]"), earliest.astype("datetime64[D]")
    year, months = plain.astype("datetime64[Y]"), plain.astype("datetime64[M]")
    day = (plain - months.astype("datetime64[D]")).astype("int64") + 1
    month = (months - year.astype("datetime64[M]")).astype("int64") + 1
    possible = (day <= _MONTHS) & (day != month)
    swapped = (np.where(possible, day, 1) - 1).astype("timedelta64[M]")
    other = (year.astype("datetime64[M]") + swapped).astype("datetime64[D]") + (month - 1).astype("timedelta64[D]")
    return np.where(possible & (other <= limit), "; with day and month swapped it would be " + record.dates(other), "")


@check(
    "date-form",
    title="The date can be read in one way only",
    source="ISO8601",
    severity="note",
    message='The date "{written}" {alternative}; it was read as {read_as}.',
)
def date_form(samples: SampleTable) -> Cases:
    """Mark dates that were completed or could mean another day.

    07/08/25 is a day in July or in August, of a year without a century; R7 is a year of an era.

    Parameters
    ----------
    samples : `collected_on`, the date as written; `collected_at`, as read; `file_sha256`.

    Returns
    -------
    one row per sample with a written date; `observed` 1 where it could be read otherwise.

    Notes
    -----
    Day and month are ambiguous when both are at most 12 and no other date of the source has a part above
    12 [CP]. Dates with full stops are day first wherever they are used; ISO 8601 dates are never marked.
    """
    written = samples.fact("collected_on")
    texts = pd.Series(["" if re.match(_ISO, text) else text for text in written.texts], dtype="str")
    parts = texts.str.extract(_SLASHED).astype("float64").to_numpy()[written.codes]
    first, second = parts.T
    of = evidence.sources(samples)
    decides = ~np.isnan(first) & ((first > _MONTHS) | (second > _MONTHS))
    decided = (of.count(decides) > 0)[of.code]
    answers = {
        EITHER_ORDER: ~decided & (first != second) & (first <= _MONTHS) & (second <= _MONTHS),
        "counts the years of an era": texts.str.contains(_ERA, regex=True).to_numpy(dtype="bool")[written.codes],
        "has a year of two digits": texts.str.match(_TWO_DIGIT).to_numpy(dtype="bool")[written.codes],
    }
    alternative = first_that_holds(len(samples), answers)
    marked = alternative.stated()
    return {
        "observed": np.where(written.stated(), marked, np.nan),
        "low": np.nan,
        "high": 0.0,
        "written": written,
        "read_as": _words_where(marked, record.dates(samples.once(record.instants, "collected_at")[marked])),
        "alternative": alternative,
    }


@check(
    "reagent-expired",
    title="The reagent was within its date",
    source="CP",
    severity="hold",
    unit="days",
    message="The reagent had expired {observed:0} day(s) before the test. {alternative}.",
)
def reagent_expired(samples: SampleTable) -> Cases:
    """Compare the day of the test with the date on the reagent.

    Indicators fade and titrants thicken or decompose; the result may be right, but nothing shows that it is.

    Parameters
    ----------
    samples : `collected_at` and `reagent_expiry` (a month without a day lasts to its end).

    Returns
    -------
    one row per sample with both dates; `observed` days past the expiry.

    Notes
    -----
    A check standard read within 90-110 % on the same day proves the reagent all the same [CP].
    """
    collected, expiry = samples.once(record.instants, "collected_at"), record.last_instants(samples, "reagent_expiry")
    return {
        "observed": record.days(collected, expiry),
        "low": np.nan,
        "high": 0.0,
        "alternative": "Accept only with a check standard within 90-110 % on the same day",
    }
