"""Dates and times by explicit formats only: a date is never guessed from its look."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.month_names import MONTH_NUMBERS
from pipeline.normalise.clock import split_time
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.arrays import Places


_ISO: Final = ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y年%m月%d日", "%Y%m%d", "%Y-%m", "%Y年%m月")
_POINTED: Final = ("%d.%m.%Y", "%d.%m.%y", "%m.%Y", "%m/%Y", "%m-%Y")
_DAY_FIRST: Final = ("%d/%m/%Y", "%d/%m/%y", "%d-%m-%Y")
_MONTH_FIRST: Final = ("%m/%d/%Y", "%m/%d/%y", "%m-%d-%Y")
_SLASHED: Final = re.compile(r"^%[dm][/-]%[dm][/-]%[yY]$")
_TIME_OF_FORMAT: Final = re.compile(r"[T ,]+%[HI]")
# First year of each Japanese era less one: year 1 of Reiwa is 2019 [JP-ERA].
_ERAS: Final = {"R": 2018, "令和": 2018, "H": 1988, "平成": 1988, "S": 1925, "昭和": 1925}
_ERA: Final = re.compile(
    r"^(?P<era>[RHS]|令和|平成|昭和)\s*(?P<year>\d{1,2}|元)[年./\-]"
    r"(?P<month>\d{1,2})[月./\-](?P<day>\d{1,2})日?$"
)
_DIGITS: Final = r"\d{1,2}"
_APART: Final = re.compile(r"(?<=\d\.)\s+(?=\d)")  # "3. 2. 2025"
# "11. März 2025", "March 11th, 2025", "1er mars 2025", "11 de marzo de 2025", "11-Mar-25", "Tue, 11 March 2025".
_PARTS: Final = re.compile(r"\d+|[^\W\d]+")
_ORDINALS: Final = frozenset(
    {"st", "nd", "rd", "th", "er", "re", "e", "º", "ª", "de", "del", "of", "the", "le", "el", "il", "den", "r", "roku"}
)
_QUARTER_WORD: Final = r"(?:q|t|quarter|quartal|trimestre|trim|kwartaal|kwartał|kwartal|čtvrtletí|四半期|季度)"
# "Q1 2025", "2025-Q1", "1. Quartal 2025", "2e trimestre 2025", "IV trimestre 2024", "2025年第1季度".
_QUARTER: Final = re.compile(
    rf"(?:(?P<before>20\d\d)\W*年?)?\W*第?(?:{_QUARTER_WORD}\W*(?P<behind>[1-4])|"
    rf"(?P<number>[1-4]|i{{1,3}}|iv)\W*(?:st|nd|rd|th|er|ème|e|o|º|°)?\W*{_QUARTER_WORD})"
    r"(?:\W+(?:of\W+|de\W+|del\W+)?(?P<after>20\d\d)|(?P<glued>20\d\d))?",
    re.IGNORECASE,
)
# "KW 12/2025", "2025-W12", "Week 12, 2025", "semaine 12 de 2025": the week that ISO 8601 counts.
_WEEK: Final = re.compile(
    r"(?:(?P<before>20\d\d)\W*)?(?:kw|w|wk|week|woche|kalenderwoche|sem|semaine|settimana|semana|uge|uke|v|vecka|tydzień|týden)"
    r"\W*(?P<number>\d{1,2})(?:\W+(?:de\W+|of\W+)?(?P<after>20\d\d))?",
    re.IGNORECASE,
)
_SHORT_MONTH: Final = re.compile(r"(?P<word>[^\W\d]{3,})\.?[-'’/](?P<year>\d\d)")  # "mar-25", as sheets show a month
_ROMAN: Final = {"i": 1, "ii": 2, "iii": 3, "iv": 4}
_MONTHS_A_QUARTER: Final = 3
_WEEKDAY_WORDS: Final = (
    "monday tuesday wednesday thursday friday saturday sunday mon tue tues wed thu thur thurs fri sat sun "
    "montag dienstag mittwoch donnerstag freitag samstag sonnabend sonntag mo di mi do fr sa so "
    "lundi mardi mercredi jeudi vendredi samedi dimanche lun mer jeu ven sam dim "
    "lunedì martedì mercoledì giovedì venerdì sabato domenica lunes martes miércoles jueves viernes sábado domingo "
    "maandag dinsdag woensdag donderdag vrijdag zaterdag zondag segunda terça quarta quinta sexta feira "
    "poniedziałek wtorek środa czwartek piątek sobota niedziela pondělí úterý středa čtvrtek pátek neděle"
)
_WEEKDAYS: Final = frozenset(_WEEKDAY_WORDS.split())
_YEAR: Final = re.compile(r"(19|20)\d\d")
_SLASHED_DATE: Final = re.compile(r"^(\d{1,2})[/\-](\d{1,2})[/\-]\d{2,4}")
_MONTHS_A_YEAR: Final = 12
_DAY_AND_YEAR: Final = 2  # numbers
_SHORT_YEAR: Final = 2  # digits
_PRECISIONS: Final = ("", "year", "quarter", "month", "week", "day", "time")
_DAY: Final = _PRECISIONS.index("day")
_TIME: Final = _PRECISIONS.index("time")
_PROBLEMS: Final = ("", "date-unreadable", "date-ambiguous", "time-skipped")
_UNREADABLE: Final = 1
_AMBIGUOUS: Final = 2
_SKIPPED: Final = 3

Day = tuple[datetime | None, str]  # the beginning of a day, month, quarter or year, and which of them it is
_UNREAD: Final[Day] = (None, "")


@dataclass(frozen=True)
class DateStyle:
    """How one table writes dates.

    Attributes
    ----------
    formats : the layout's own formats of the date; the time of day needs none.
    month_first : how to read 07/08/2025 when neither the layout nor the column tells.
    proved : "d" or "m", whichever other dates of its file prove to come first; "" where none does.
    """

    formats: tuple[str, ...] = ()
    month_first: bool = False
    proved: str = ""


def proved_order(texts: Iterable[str]) -> str:
    """Say which of day and month dates with strokes begin with: "d" or "m"; "" where none proves it, or both.

    Example
    -------
    >>> proved_order(["02/03/2025", "25/03/2025"]), proved_order(["02/03/2025"])
    ('d', '')
    """
    parts = [(int(found[1]), int(found[2])) for text in texts if (found := _SLASHED_DATE.match(text))]
    day_first = any(first > _MONTHS_A_YEAR for first, _ in parts)
    month_first = any(second > _MONTHS_A_YEAR for _, second in parts)
    return "" if day_first == month_first else "d" if day_first else "m"


def either_order(text: str) -> tuple[int, int] | None:
    """Give the first two numbers of a date with strokes that is another day with day and month exchanged.

    Example
    -------
    >>> either_order("02/03/2025"), either_order("25/03/2025")
    ((2, 3), None)
    """
    found = _SLASHED_DATE.match(text.strip())
    parts = (int(found[1]), int(found[2])) if found else (0, 0)
    return parts if parts[0] != parts[1] and max(parts) <= _MONTHS_A_YEAR else None


def parse_dates(
    texts: pd.Series, table: Places, styles: Sequence[DateStyle], time_zone: str | pd.Series
) -> pd.DataFrame:
    """Read a column of dates that several tables share.

    Parameters
    ----------
    texts : (n,) dates as received, "" where none; a time may follow a blank.
    table : (n,) position in ``styles`` of the table of each.
    styles : how each table writes dates.
    time_zone : of texts that name none, for all or for each (IANA name or "UTC+02:00").

    Returns
    -------
    (n, 4) frame: `moment` (UTC, missing where unreadable), `precision` (of _PRECISIONS),
    `problem` (`date-unreadable`, `date-ambiguous`, `time-skipped` or ""), `order_open` (nothing proves the order of day
    and month).

    Notes
    -----
    The order of day and month is the layout's where it lists one only. Else a column in which any first
    number exceeds 12 is day first, one in which any second number does is month first; a column that
    proves neither follows ``month_first`` and says so. The hour that a clock repeats in autumn is taken
    as winter time and reported; a time that it skips in spring is taken as the end of that hour, and reported.
    Midnight with seconds ("2025-03-12 00:00:00") is how spreadsheets write
    a date without a time. Distinct texts of a table are read once each.
    """
    text_code, distinct = pd.factorize(texts)
    code, pairs = pd.factorize(text_code * len(styles) + table)
    text_of, table_of = pairs // len(styles), pairs % len(styles)
    known = pd.Series(distinct, dtype="str")
    times = split_time(known)
    day_code, days = pd.factorize(times.date)
    found = _days(day_code[text_of], [str(day) for day in days], table_of, styles)
    seconds, offset = times.seconds[text_of], times.offset_s[text_of]
    moment = found.moment + _seconds(np.nan_to_num(seconds))
    moment[times.impossible[text_of]] = np.datetime64("NaT", "us")
    precision = np.where(~np.isnan(seconds) & (found.precision == _DAY), _TIME, found.precision)
    instant, repeated, skipped, place = _utc(moment, precision == _TIME, offset, code, time_zone)
    missing, empty = np.isnat(moment), (known.str.strip() == "").to_numpy()[text_of]
    order_open = (found.doubtful & ~missing)[code]
    problem = np.where(missing & ~empty, _UNREADABLE, np.where(found.doubtful & ~missing, _AMBIGUOUS, 0))[code]
    problem[repeated[place]] = _AMBIGUOUS
    problem[skipped[place]] = _SKIPPED
    return pd.DataFrame(
        {
            "moment": instant.take(place),
            "precision": TextColumn(np.where(missing, 0, precision)[code], _PRECISIONS).category(),
            "problem": TextColumn(problem, _PROBLEMS).category(),
            "order_open": order_open,
        }
    )


@dataclass(frozen=True)
class _Days:
    """Local midnights [datetime64], positions in _PRECISIONS, and where the order of day and month is doubtful."""

    moment: npt.NDArray[np.datetime64]
    precision: Places
    doubtful: npt.NDArray[np.bool_]


def _days(day: Places, known: Sequence[str], table: Places, styles: Sequence[DateStyle]) -> _Days:
    """Read days, each distinct one of a table once."""
    read = _Days(np.empty(len(day), "datetime64[us]"), np.zeros(len(day), "int64"), np.zeros(len(day), "bool"))
    for number, style in enumerate(styles):
        mine = table == number
        code, own = pd.factorize(day[mine])
        of_table = _days_of_table([known[position] for position in own], style)
        for name in ("moment", "precision", "doubtful"):
            getattr(read, name)[mine] = getattr(of_table, name)[code]
    return read


def _days_of_table(known: Sequence[str], style: DateStyle) -> _Days:
    """Read the distinct days of a table."""
    declared = tuple(dict.fromkeys(_TIME_OF_FORMAT.split(pattern)[0] for pattern in style.formats))
    orders = {pattern[1] for pattern in declared if _SLASHED.match(pattern)}
    own = tuple(pattern for pattern in declared if not _SLASHED.match(pattern))
    known = [_APART.sub("", text) for text in known]
    read = [_by_format(text, (*_ISO, *own, *_POINTED)) for text in known]
    slashed = [text for text, (moment, _) in zip(known, read, strict=True) if moment is None]
    order, certain = _order(slashed, orders, style)
    doubtful = np.zeros(len(known), dtype="bool")
    for place, text in enumerate(known):
        if read[place][0] is None:
            moment, precision = _by_format(text, order)
            doubtful[place] = not certain and moment is not None and moment.month != moment.day <= _MONTHS_A_YEAR
            read[place] = (moment, precision) if moment is not None else _other(text) or _UNREAD
    moments = np.array([moment for moment, _ in read], dtype="datetime64[us]")
    precisions = np.array([_PRECISIONS.index(precision) for _, precision in read], dtype="int64")
    return _Days(moments, precisions, doubtful)


def _seconds(seconds: npt.NDArray[np.float64]) -> npt.NDArray[np.timedelta64]:
    return np.round(seconds * 1e6).astype("timedelta64[us]")


def _utc(
    moment: npt.NDArray[np.datetime64],
    timed: npt.NDArray[np.bool_],
    offset_s: npt.NDArray[np.float64],
    code: Places,
    time_zone: str | pd.Series,
) -> tuple[pd.DatetimeIndex, npt.NDArray[np.bool_], npt.NDArray[np.bool_], Places]:
    """Bring distinct pairs of local time and zone to UTC; a date without a time is the same everywhere.

    Returns
    -------
    instant, repeated, skipped : of each pair; where the clock shows the time twice, and where it never does.
    place : (n,) pair of each row.
    """
    if isinstance(time_zone, str):
        zone_code, zones = np.zeros(len(code), dtype="int64"), [time_zone]
    else:
        zone_code, distinct = pd.factorize(time_zone)
        zones = [str(zone) for zone in distinct]
    place, pairs = pd.factorize(code * len(zones) + zone_code)
    text_of, zone_of = pairs // len(zones), pairs % len(zones)
    offset = offset_s[text_of]
    local = moment[text_of]
    instant = np.where(timed[text_of], local - _seconds(np.nan_to_num(offset)), local)
    repeated, skipped = (np.zeros(len(pairs), dtype="bool") for _ in range(2))
    by_zone = timed[text_of] & np.isnan(offset) & ~np.isnat(local)
    for number in np.unique(zone_of[by_zone]):
        mine = by_zone & (zone_of == number)
        naive, zone = pd.DatetimeIndex(local[mine]), zones[number]
        sure = naive.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
        winter = naive.tz_localize(zone, ambiguous=np.zeros(len(naive), dtype="bool"), nonexistent="shift_forward")
        repeated[mine] = sure.isna()
        skipped[mine] = winter.tz_localize(None) != naive
        instant[mine] = winter.tz_convert("UTC").tz_localize(None).to_numpy()
    return pd.DatetimeIndex(instant).tz_localize("UTC"), repeated, skipped, place


def _precision(pattern: str) -> str:
    if "%d" in pattern:
        return "day"
    return "month" if "%m" in pattern or "%b" in pattern.casefold() else "year"


@cache
def _looks(pattern: str) -> re.Pattern[str]:
    """Turn a date format into a regular expression, to try it only on texts of its shape."""
    parts = {"%Y": r"\d{4}", "%y": r"\d{2}", "%b": r"[^\W\d]+", "%B": r"[^\W\d]+"}
    escaped = re.escape(pattern).replace(r"\%", "%").replace(r"\ ", " ")
    return re.compile("^" + re.sub("%[a-zA-Z]", lambda found: parts.get(found[0], _DIGITS), escaped) + "$")


@cache
def _any_looks(formats: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile("|".join(_looks(pattern).pattern for pattern in formats))


def _by_format(text: str, formats: tuple[str, ...]) -> Day:
    """Read a date by the first format it agrees with."""
    if _any_looks(formats).match(text):
        for pattern in formats:
            if _looks(pattern).match(text):
                try:
                    return datetime.strptime(text, pattern), _precision(pattern)  # noqa: DTZ007 - a day has no zone
                except ValueError:
                    continue
    return _UNREAD


def _order(open_texts: Sequence[str], declared: set[str], style: DateStyle) -> tuple[tuple[str, ...], bool]:
    """Decide between day/month and month/day for a column, and say whether that is certain.

    ``declared`` holds the first parts ("d", "m") of the layout's formats.
    """
    known = declared.pop() if len(declared) == 1 else proved_order(open_texts) or style.proved
    first = known or ("m" if style.month_first else "d")
    return (_MONTH_FIRST if first == "m" else _DAY_FIRST), bool(known)


def _made(year: int, month: int, day: int, precision: str) -> Day | None:
    try:
        return datetime(year, month, day), precision  # noqa: DTZ001 - a day has no zone
    except ValueError:
        return None


def _era(text: str) -> Day | None:
    if not (found := _ERA.match(text)):
        return None
    year = 1 if found["year"] == "元" else int(found["year"])
    return _made(_ERAS[found["era"]] + year, int(found["month"]), int(found["day"]), "day")


def _other(text: str) -> Day | None:
    """Read a date that no format describes: of a Japanese era, a quarter, a week, with the month in words."""
    return _era(text) or _quarter(text) or _week(text) or _short_month(text) or _worded(text)


def _week(text: str) -> Day | None:
    """Read a week of a year, as its Monday."""
    found = _WEEK.fullmatch(text.strip())
    years = {year for year in found.group("before", "after") if year} if found else set()
    if found is None or len(years) != 1:
        return None
    try:
        return datetime.fromisocalendar(int(years.pop()), int(found["number"]), 1), "week"
    except ValueError:
        return None


def _short_month(text: str) -> Day | None:
    """Read a month and the two digits of its year."""
    found = _SHORT_MONTH.fullmatch(text.strip())
    month = MONTH_NUMBERS.get(found["word"].casefold()) if found else None
    return _made(2000 + int(found["year"]), month, 1, "month") if found and month else None


def _quarter(text: str) -> Day | None:
    """Read a quarter of a year, with one year before or behind it."""
    found = _QUARTER.fullmatch(text.strip())
    years = {year for year in found.group("before", "after", "glued") if year} if found else set()
    if found is None or len(years) != 1:
        return None
    number = (found["behind"] or found["number"]).casefold()
    first = _MONTHS_A_QUARTER * ((_ROMAN.get(number) or int(number)) - 1) + 1
    return _made(int(years.pop()), first, 1, "quarter")


def _worded(text: str) -> Day | None:
    """Read "31 Dicembre 2019", "March 11th, 2025", "Dicembre 2019" and "2019"."""
    if _YEAR.fullmatch(text):
        return _made(int(text), 1, 1, "year")
    parts = _PARTS.findall(text.casefold())
    words = [part for part in parts if not part.isdigit() and part not in _ORDINALS]
    numbers = [part for part in parts if part.isdigit()]
    months = [MONTH_NUMBERS[word] for word in words if word in MONTH_NUMBERS]
    if len(months) != 1 or any(word not in MONTH_NUMBERS and word not in _WEEKDAYS for word in words):
        return None
    year = next((number for number in numbers if _YEAR.fullmatch(number)), None)
    if year is None and len(numbers) == _DAY_AND_YEAR and len(numbers[1]) == _SHORT_YEAR:
        year = numbers[1]
        return _made(2000 + int(year), months[0], int(numbers[0]), "day")
    days = [int(number) for number in numbers if number is not year]
    if year is None or len(days) > 1:
        return None
    return _made(int(year), months[0], days[0] if days else 1, "day" if days else "month")
