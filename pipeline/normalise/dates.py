"""Dates and times by explicit formats only: a date is never guessed from its look."""

from __future__ import annotations

import re
from functools import cache
from typing import Final

import numpy as np
import pandas as pd

_ISO: Final = (
    "%Y-%m-%d",
    "%Y-%m-%d %H:%M",
    "%Y-%m-%d %H:%M:%S",
    "%Y-%m-%dT%H:%M",
    "%Y-%m-%dT%H:%M:%S",
    "%Y/%m/%d",
    "%Y/%m/%d %H:%M",
    "%Y年%m月%d日",
)
_POINTED: Final = ("%d.%m.%Y", "%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M:%S", "%d.%m.%y", "%d.%m.%y %H:%M")
_DAY_FIRST: Final = ("%d/%m/%Y", "%d/%m/%Y %H:%M", "%d/%m/%y", "%d/%m/%y %H:%M", "%d-%m-%Y", "%d-%m-%Y %H:%M")
_MONTH_FIRST: Final = (
    "%m/%d/%Y",
    "%m/%d/%Y %H:%M",
    "%m/%d/%Y %I:%M %p",
    "%m/%d/%Y %I:%M:%S %p",
    "%m/%d/%y",
    "%m/%d/%y %H:%M",
    "%m-%d-%Y",
    "%m-%d-%Y %H:%M",
)
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
    texts: pd.Series, formats: tuple[str, ...], time_zone: str, *, month_first: bool = False
) -> pd.DataFrame:
    """Read a column of dates.

    Parameters
    ----------
    texts : (n,) dates as received, "" where none; a time may follow a blank.
    formats : the layout's own formats, tried after ISO 8601 and before the usual ones.
    time_zone : of texts that name none (IANA name).
    month_first : how to read 07/08/2025 when neither the layout nor the column tells.

    Returns
    -------
    (n, 3) frame: `moment` (UTC, missing where unreadable), `precision` (`time`, `day`, `month`, `year`, ""),
    `problem` (`date-unreadable`, `date-ambiguous` or "").

    Notes
    -----
    A column in which any first number exceeds 12 is day first, one in which any second number does is
    month first; a column that proves neither follows ``month_first`` and says so.
    """
    code, distinct = pd.factorize(texts)
    known = pd.Series(distinct, dtype="str").str.normalize("NFKC").str.strip()
    moment = pd.Series(pd.NaT, index=known.index, dtype="datetime64[us]")
    precision = pd.Series("", index=known.index, dtype="str")
    doubtful = pd.Series(data=False, index=known.index)
    for group in (_ISO, formats, _POINTED):
        moment, precision = _fill(known, group, moment, precision)
    order, certain = _order(known[moment.isna()], month_first=month_first)
    before = moment.isna()
    moment, precision = _fill(known, order, moment, precision)
    if not certain:
        doubtful = before & moment.notna() & (moment.dt.day <= 12) & (moment.dt.day != moment.dt.month)  # noqa: PLR2004
    for reader in (_eras, _words):
        open_texts = known[moment.isna()]
        if len(open_texts):
            found, how = reader(open_texts)
            moment = moment.fillna(found.reindex(moment.index))
            precision = precision.where(precision != "", how.reindex(precision.index).fillna(""))
    problem = pd.Series("", index=known.index, dtype="str")
    problem = problem.mask((known != "") & moment.isna(), "date-unreadable").mask(doubtful, "date-ambiguous")
    local = moment.dt.tz_localize(time_zone, ambiguous="NaT", nonexistent="shift_forward").dt.tz_convert(
        "UTC"
    )
    # A date without a time is the same date everywhere.
    instant = local.where(precision == "time", moment.dt.tz_localize("UTC"))
    frame = pd.DataFrame({"moment": instant, "precision": precision.astype("category"), "problem": problem})
    return frame.take(code).reset_index(drop=True)


@cache
def _looks(pattern: str) -> str:
    """Turn a date format into a regular expression, to try it only on texts of its shape."""
    parts = {"%Y": r"\d{4}", "%p": "[AaPp][Mm]", "%y": r"\d{2}"}
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
        found = pd.to_datetime(known[left], format=pattern, errors="coerce", exact=True).astype(
            "datetime64[us]"
        )
        moment = moment.where(~left, found.reindex(moment.index))
        how = "time" if "%H" in pattern or "%I" in pattern else "day"
        precision = precision.mask(left & moment.notna(), how)
    return moment, precision


def _order(open_texts: pd.Series, *, month_first: bool) -> tuple[tuple[str, ...], bool]:
    """Decide between day/month and month/day for a column, and say whether a cell proves it."""
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
