"""Dates and times by explicit formats only: a date is never guessed from its look."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.normalise.clock import split_time

if TYPE_CHECKING:
    import numpy.typing as npt

_ISO: Final = ("%Y-%m-%d", "%Y/%m/%d", "%Y年%m月%d日", "%Y-%m")
_POINTED: Final = ("%d.%m.%Y", "%d.%m.%y")
_DAY_FIRST: Final = ("%d/%m/%Y", "%d/%m/%y", "%d-%m-%Y")
_MONTH_FIRST: Final = ("%m/%d/%Y", "%m/%d/%y", "%m-%d-%Y")
_SLASHED: Final = re.compile(r"^%[dm][/-]%[dm][/-]%[yY]$")
_TIME_OF_FORMAT: Final = re.compile(r"[T ,]+%[HI]")
# First year of each Japanese era less one: year 1 of Reiwa is 2019 [JP-ERA].
_ERAS: Final = {"R": 2018, "令和": 2018, "H": 1988, "平成": 1988, "S": 1925, "昭和": 1925}
_ERA: Final = (
    r"^(?P<era>[RHS]|令和|平成|昭和)\s*(?P<year>\d{1,2}|元)[年./\-]"
    r"(?P<month>\d{1,2})[月./\-](?P<day>\d{1,2})日?$"
)
_DIGITS: Final = r"\d{1,2}"
_MONTHS: Final = {
    name: number
    for number, names in enumerate(
        (
            "january januar janvier gennaio enero januari jan janv gen ene",
            "february februar février fevrier febbraio febrero februari feb fév febr",
            "march märz maerz mars marzo maart mar mär mrz mrt",
            "april avril aprile abril apr avr abr",
            "may mai maggio mayo mei mag",
            "june juni juin giugno junio jun giu",
            "july juli juillet luglio julio jul lug juil",
            "august août aout agosto augustus aug ago",
            "september septembre settembre septiembre sept sep set",
            "october oktober octobre ottobre octubre oct okt ott",
            "november novembre noviembre nov",
            "december dezember décembre decembre dicembre diciembre dec dez dic déc",
        ),
        start=1,
    )
    for name in names.split()
}
_WORDED: Final = r"^(?:(?P<day>\d{1,2})\.?\s+)?(?P<month>[^\W\d]{3,})\.?,?\s+(?:de\s+)?(?P<year>\d{4})$"


def parse(
    texts: pd.Series, formats: tuple[str, ...], time_zone: str | pd.Series, *, month_first: bool = False
) -> pd.DataFrame:
    """Read a column of dates.

    Parameters
    ----------
    texts : (n,) dates as received, "" where none; a time may follow a blank.
    formats : the layout's own formats of the date; the time of day needs none.
    time_zone : of texts that name none, for all or for each (IANA name or "UTC+02:00").
    month_first : how to read 07/08/2025 when neither the layout nor the column tells.

    Returns
    -------
    (n, 3) frame: `moment` (UTC, missing where unreadable), `precision` (`time`, `day`, `month`, `year`, ""),
    `problem` (`date-unreadable`, `date-ambiguous` or "").

    Notes
    -----
    The order of day and month is the layout's where it lists one only. Else a column in which any first
    number exceeds 12 is day first, one in which any second number does is month first; a column that
    proves neither follows ``month_first`` and says so. The hour that a clock repeats in autumn is taken
    as winter time and reported. Midnight with seconds ("2025-03-12 00:00:00") is how spreadsheets write
    a date without a time.
    """
    code, distinct = pd.factorize(texts)
    known = pd.Series(distinct, dtype="str")
    parts = split_time(known)
    day_code, days = pd.factorize(parts["date"])
    found = _days(pd.Series(days, dtype="str"), formats, month_first=month_first)
    found = found.take(day_code).reset_index(drop=True)
    moment = found["moment"] + pd.to_timedelta(parts["seconds"].fillna(0.0), unit="s").astype("timedelta64[us]")
    moment = moment.where(~parts["impossible"])
    precision = found["precision"].mask(parts["seconds"].notna() & (found["precision"] == "day"), "time")
    instant, repeated, place = _utc(moment, precision, parts["offset_s"], code, time_zone)
    empty = known.str.strip() == ""
    problem = pd.Series("", index=known.index, dtype="str")
    problem = problem.mask(~empty & moment.isna(), "date-unreadable")
    problem = problem.mask(found["doubtful"] & moment.notna(), "date-ambiguous")
    frame = pd.DataFrame({"precision": precision.where(moment.notna(), ""), "problem": problem})
    frame = frame.astype("category").take(code).reset_index(drop=True)
    frame.insert(0, "moment", instant.take(place).reset_index(drop=True))
    twice = repeated[place]
    if twice.any():
        frame["problem"] = frame["problem"].astype("str").mask(twice, "date-ambiguous").astype("category")
    return frame


def _days(known: pd.Series, formats: tuple[str, ...], *, month_first: bool) -> pd.DataFrame:
    """Read distinct dates without times: `moment precision doubtful`."""
    declared = tuple(dict.fromkeys(_TIME_OF_FORMAT.split(pattern)[0] for pattern in formats))
    orders = {pattern[1] for pattern in declared if _SLASHED.match(pattern)}
    own = tuple(pattern for pattern in declared if not _SLASHED.match(pattern))
    moment = pd.Series(pd.NaT, index=known.index, dtype="datetime64[us]")
    precision = pd.Series("", index=known.index, dtype="str")
    moment, precision = _fill(known, (*_ISO, *own, *_POINTED), moment, precision)
    order, certain = _order(known[moment.isna()], orders, month_first=month_first)
    before = moment.isna()
    moment, precision = _fill(known, order, moment, precision)
    doubtful = pd.Series(data=False, index=known.index)
    if not certain:
        doubtful = before & moment.notna() & (moment.dt.day <= 12) & (moment.dt.day != moment.dt.month)  # noqa: PLR2004 - months
    for reader in (_eras, _words):
        open_texts = known[moment.isna()]
        if len(open_texts):
            found, how = reader(open_texts)
            moment = moment.fillna(found.reindex(moment.index))
            precision = precision.where(precision != "", how.reindex(precision.index).fillna(""))
    return pd.DataFrame({"moment": moment, "precision": precision, "doubtful": doubtful})


def _utc(
    moment: pd.Series,
    precision: pd.Series,
    offset_s: pd.Series,
    code: npt.NDArray[np.int64],
    time_zone: str | pd.Series,
) -> tuple[pd.Series, npt.NDArray[np.bool_], npt.NDArray[np.int64]]:
    """Bring distinct pairs of local time and zone to UTC; a date without a time is the same everywhere.

    Returns
    -------
    instant, repeated : of each pair; ``repeated`` where the clock shows the time twice.
    place : (n,) pair of each row.
    """
    if isinstance(time_zone, str):
        zone_code, zones = np.zeros(len(code), dtype="int64"), [time_zone]
    else:
        zone_code, distinct = pd.factorize(time_zone)
        zones = [str(zone) for zone in distinct]
    place, pairs = pd.factorize(code * len(zones) + zone_code)
    text_of, zone_of = pairs // len(zones), pairs % len(zones)
    local = moment.take(text_of).reset_index(drop=True)
    offset = offset_s.take(text_of).reset_index(drop=True)
    timed = (precision == "time").take(text_of).to_numpy()
    instant = (local - pd.to_timedelta(offset.fillna(0.0), unit="s").astype("timedelta64[us]")).where(timed, local)
    instant = instant.dt.tz_localize("UTC")
    repeated = np.zeros(len(pairs), dtype="bool")
    for number, zone in enumerate(zones):
        mine = timed & offset.isna().to_numpy() & (zone_of == number) & local.notna().to_numpy()
        if not mine.any():
            continue
        naive = local[mine]
        sure = naive.dt.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
        winter = naive.dt.tz_localize(zone, ambiguous=np.zeros(len(naive), dtype="bool"), nonexistent="shift_forward")
        repeated[mine] = sure.isna().to_numpy()
        instant[mine] = winter.dt.tz_convert("UTC")
    return instant, repeated, place


def _precision(pattern: str) -> str:
    if "%d" in pattern:
        return "day"
    return "month" if "%m" in pattern or "%b" in pattern.casefold() else "year"


@cache
def _looks(pattern: str) -> str:
    """Turn a date format into a regular expression, to try it only on texts of its shape."""
    parts = {"%Y": r"\d{4}", "%y": r"\d{2}", "%b": r"[^\W\d]+", "%B": r"[^\W\d]+"}
    escaped = re.escape(pattern).replace(r"\%", "%").replace(r"\ ", " ")
    return "^" + re.sub("%[a-zA-Z]", lambda found: parts.get(found[0], _DIGITS), escaped) + "$"


def _fill(
    known: pd.Series, formats: tuple[str, ...], moment: pd.Series, precision: pd.Series
) -> tuple[pd.Series, pd.Series]:
    """Try formats in order on what is still open."""
    for pattern in formats:
        left = (moment.isna() & known.str.match(_looks(pattern))).to_numpy(dtype="bool")
        if not left.any():
            continue
        found = pd.to_datetime(known[left], format=pattern, errors="coerce", exact=True).astype("datetime64[us]")
        moment = moment.where(~left, found.reindex(moment.index))
        precision = precision.mask(left & moment.notna(), _precision(pattern))
    return moment, precision


def _order(open_texts: pd.Series, declared: set[str], *, month_first: bool) -> tuple[tuple[str, ...], bool]:
    """Decide between day/month and month/day for a column, and say whether that is certain.

    ``declared`` holds the first parts ("d", "m") of the layout's formats.
    """
    if len(declared) == 1:
        return (_MONTH_FIRST if "m" in declared else _DAY_FIRST), True
    parts = open_texts.str.extract(r"^(?P<first>\d{1,2})[/\-](?P<second>\d{1,2})[/\-]\d{2,4}")
    first = pd.to_numeric(parts["first"], errors="coerce").max()
    second = pd.to_numeric(parts["second"], errors="coerce").max()
    last_month = 12
    if first > last_month and not second > last_month:
        return _DAY_FIRST, True
    if second > last_month and not first > last_month:
        return _MONTH_FIRST, True
    return (_MONTH_FIRST if month_first else _DAY_FIRST), False


def _assembled(year: pd.Series, month: pd.Series, day: pd.Series) -> pd.Series:
    parts = pd.DataFrame({"year": year, "month": month, "day": day}).apply(pd.to_numeric, errors="coerce")
    moments: pd.Series = pd.to_datetime(parts, errors="coerce").astype("datetime64[us]")
    return moments


def _eras(open_texts: pd.Series) -> tuple[pd.Series, pd.Series]:
    parts = open_texts.str.extract(_ERA)
    year = pd.to_numeric(parts["year"].replace("元", "1"), errors="coerce") + parts["era"].map(_ERAS)
    found = _assembled(year, parts["month"], parts["day"])
    return found, pd.Series("day", index=found.index, dtype="str").where(found.notna(), "")


def _words(open_texts: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Read "31 Dicembre 2019", "Dicembre 2019" and "2019"."""
    parts = open_texts.str.casefold().str.extract(_WORDED)
    year = parts["year"].fillna(open_texts.where(open_texts.str.fullmatch(r"(19|20)\d\d")))
    month = parts["month"].map(_MONTHS)
    alone = parts["year"].isna()
    found = _assembled(year, month.where(~alone, 1), parts["day"].fillna("1"))
    how = np.select([found.isna(), alone, parts["day"].isna()], ["", "year", "month"], default="day")
    return found, pd.Series(how, index=found.index, dtype="str")
