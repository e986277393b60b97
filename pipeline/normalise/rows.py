"""What a source row says beside its readings: dates, kit, titrant, counters; text to values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.ingest.heading_language import day_first_language
from pipeline.normalise import dates, numbers, units
from pipeline.normalise.plausible import absurd_numbers
from pipeline.normalise.time_zones import known_zone
from pipeline.normalise.titrants import with_titrants
from pipeline.problems import no_problems, problem_frame
from pipeline.texts import TextColumn, composed, first_rows, numbered
from schemas.columns import ACTIVITIES, STAGES
from schemas.fields import of_kind
from schemas.tables import SOURCE_ROWS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pipeline.arrays import Flags, Places
    from pipeline.ingest.extract import Extract
    from pipeline.normalise.table_stack import TableStack


_MONTH_FIRST: Final = frozenset(
    {
        "us",
        "usa",
        "vereinigte staaten",
        "états-unis",
        "stati uniti",
        "estados unidos",
        "pr",
        "u.s.",
        "u.s.a.",
        "united states",
        "united states of america",
    }
)
_WITH_DATE: Final = r"\d{4}[-./年]\d{1,2}[-./月]\d{1,2}|\d{1,2}[-./]\d{1,2}[-./]\d{4}"  # "10.30.15" is a time
_DATES: Final = of_kind(SOURCE_ROWS, "datetime")
_NUMBERS: Final = of_kind(SOURCE_ROWS, "number")


@dataclass(frozen=True)
class _Source:
    """The rows of all tables as text, the number of each row's table, and what is known of each table."""

    text: pd.DataFrame
    table: Places
    tables: Sequence[Extract]
    date_styles: Sequence[dates.DateStyle]
    file_sha256: pd.Series

    def heading(self, field: str) -> pd.Series:
        """Give the heading under which each row's table states a field; its name where it has no column."""
        names = tuple(table.headings.get(field, field.replace("_", " ")) for table in self.tables)
        return TextColumn(self.table, names).series(self.text.index)

    def said(self, name: str) -> Flags:
        """Tell which rows say something in a column."""
        return (self.text[name] != "").to_numpy()


@dataclass(frozen=True)
class TypedRows:
    """The rows of all tables with values in place of texts.

    Attributes
    ----------
    rows : texts as they were, plus `collected_at` (UTC), `collected_precision`, the other dates as UTC
        times, the numbers as floats, `drop_mg_l` (value of one drop, mg/L as CaCO3), `file_sha256` and `date_order`:
        "d" or "m", with the language of the headings if it writes the day first, and the dates whose order of day and
        month was taken for that without proof ("d:German collected_on").
    notices : what could not be read or was ambiguous (PROBLEM_COLUMNS).
    unusable : for each number of a row, where something is written that cannot be used.
    """

    rows: pd.DataFrame
    notices: pd.DataFrame
    unusable: dict[str, Flags]


def typed(stack: TableStack, time_zone: str) -> TypedRows:
    """Type the rows of several tables.

    Parameters
    ----------
    stack : rows and formats of each table.
    time_zone : of times that name none.
    """
    source = _source(stack)
    text = source.text
    columns: dict[str, pd.Series] = {}
    notices = [no_problems()]

    def notice(code: str, column: str, where: Flags, detail: pd.Series | str = "") -> None:
        if where.any():
            notices.append(
                problem_frame(
                    code,
                    file_sha256=source.file_sha256[where],
                    line=text["line"][where],
                    column=source.heading(column)[where],
                    raw_text=text[column][where],
                    detail=detail[where] if isinstance(detail, pd.Series) else detail,
                )
            )

    zone, strange = _zones(text["time_zone"], time_zone)
    notice("field-unreadable", "time_zone", strange, f"not a time zone; times were taken as {time_zone}")
    read = _collected(source, zone)
    columns["collected_at"], columns["collected_precision"] = read["moment"], read["precision"]
    notice("date-unreadable", "collected_on", (read["problem"] == "date-unreadable").to_numpy())
    notice("date-unreadable", "collected_at_time", read["time_unreadable"].to_numpy())
    order_open = {"collected_on": read["order_open"].to_numpy(dtype="bool")}
    doubtful = (read["problem"] == "date-ambiguous").to_numpy() & ~order_open["collected_on"]
    shown = read["moment"].where(doubtful).dt.floor("D").dt.date.astype("str") if doubtful.any() else ""
    notice("date-ambiguous", "collected_on", doubtful, shown)
    skipped = (read["problem"] == "time-skipped").to_numpy()
    notice("time-skipped", "collected_on", skipped, zone if isinstance(zone, pd.Series) else str(zone))
    for name, known in (("stage", STAGES), ("activity", ACTIVITIES)):
        columns[name] = text[name].where(text[name].isin(known), "")
    for name in _DATES:
        if not source.said(name).any():
            columns[name] = pd.Series(pd.DatetimeIndex(np.full(len(text), "NaT", "datetime64[us]"), tz="UTC"))
            continue
        moment = _dates(source, text[name], zone)
        columns[name] = moment["moment"]
        order_open[name] = moment["order_open"].to_numpy(dtype="bool")
        notice("date-unreadable", name, (moment["problem"] == "date-unreadable").to_numpy())
    unusable: dict[str, Flags] = {}
    for name in _NUMBERS:
        columns[name], absurd = _number(source, name)
        unusable[name] = source.said(name) & columns[name].isna().to_numpy()
        notice("number-absurd", name, absurd)
        notice("field-unreadable", name, unusable[name] & ~absurd, "a number is expected")
    columns["drop_mg_l"], absurd = _drop_value(source)
    lacking = source.said("degree_per_drop") & columns["drop_mg_l"].isna().to_numpy()
    notice("number-absurd", "degree_per_drop", absurd)
    notice("field-unreadable", "degree_per_drop", lacking & ~absurd, "a number with a degree of hardness is expected")
    rows = text.assign(**columns, file_sha256=source.file_sha256, date_order=_orders(order_open, source))
    return TypedRows(rows, pd.concat(notices, ignore_index=True), unusable)


def _source(stack: TableStack) -> _Source:
    table, text = stack.table_of_row, with_titrants(stack.rows)
    files, distinct = pd.factorize(np.array(stack.files, dtype=object))
    dates_of_file = _said_of(stack.rows, ("collected_on", *_DATES), files[table], len(distinct))
    proved = [dates.proved_order(said) for said in dates_of_file]
    countries = _said_of(stack.rows, ("country",), table, len(stack.tables))
    styles = [
        dates.DateStyle(extract.date_formats, month_first=month_first(said), proved=proved[file])
        for extract, file, said in zip(stack.tables, files, countries, strict=True)
    ]
    return _Source(text, table, stack.tables, styles, TextColumn(table, stack.files).series())


def _said_of(rows: pd.DataFrame, names: Sequence[str], place: Places, size: int) -> list[set[str]]:
    """Collect what the rows of each place (a file, a table) say in some columns."""
    said: list[set[str]] = [set() for _ in range(size)]
    for name in names:
        column = TextColumn.from_series(rows[name]).distinct()
        if not any(column.texts):
            continue
        first = first_rows(numbered([(place, size), column]))
        for number, text in zip(place[first].tolist(), column.take(first).tolist(), strict=True):
            said[number].add(text)
    return said


def _zones(stated: pd.Series, otherwise: str) -> tuple[pd.Series, Flags]:
    """Give the zone of every row, and tell which rows name one that is not known."""
    code, texts = pd.factorize(stated)
    known = [known_zone(str(text)) for text in texts]
    strange = np.array([bool(str(text).strip()) and not zone for text, zone in zip(texts, known, strict=True)], "bool")
    return pd.Series(pd.array([zone or otherwise for zone in known], dtype="str").take(code)), strange[code]


def month_first(countries: Iterable[str]) -> bool:
    """Tell whether all rows that name a country name the one that writes the month first [CP]."""
    known = {country.strip().casefold() for country in countries} - {""}
    return bool(known) and known <= _MONTH_FIRST


def _orders(order_open: Mapping[str, Flags], source: _Source) -> pd.Series:
    """Write which dates of a row have an order that nothing proved, and which one was taken."""
    taken = np.array(["m" if style.month_first else "d" for style in source.date_styles] or ["d"], dtype=object)
    flags = [flag for flag in order_open.values() if flag.any()]
    names = [name for name, flag in order_open.items() if flag.any()]
    if not flags:
        return TextColumn.constant("", len(source.text)).series()
    parts = [TextColumn(flag.astype("int8"), ("", name)) for name, flag in zip(names, flags, strict=True)]
    spoken = [day_first_language(table.headings.values()) for table in source.tables]
    evidence = tuple(f"{order}:{one}" if one else order for order, one in zip(taken, spoken, strict=True))
    first = TextColumn(source.table, evidence)
    return composed(
        [first, *parts], lambda order, *said: " ".join([order, *filter(None, said)]) if any(said) else ""
    ).series()


def collected(rows: pd.DataFrame, time_zone: str, *, month_comes_first: bool) -> pd.Series:
    """Read the dates of sampling of typed rows again, with an order of day and month that is known now (UTC)."""
    day = TextColumn.of(rows, "collected_on").series()
    clock = TextColumn.of(rows, "collected_at_time").series().str.replace(r"^(\d{1,2})(\d{2})$", r"\1:\2", regex=True)
    zone, _ = _zones(TextColumn.of(rows, "time_zone").series(), time_zone)
    style, table = [dates.DateStyle(month_first=month_comes_first)], np.zeros(len(rows), dtype="int64")
    read = dates.parse_dates((day + " " + clock).str.strip(), table, style, zone)
    alone = dates.parse_dates(day, table, style, zone)
    return read["moment"].fillna(alone["moment"]).set_axis(rows.index)


def _dates(source: _Source, stamps: pd.Series, zone: pd.Series) -> pd.DataFrame:
    """Read dates, each table by its own formats and its own order of day and month."""
    return dates.parse_dates(stamps, source.table, source.date_styles, zone)


def _collected(source: _Source, zone: pd.Series) -> pd.DataFrame:
    """Read day and time of sampling; where the time is no time the day still counts."""
    day, clock = source.text["collected_on"], source.text["collected_at_time"]
    if not source.said("collected_at_time").any():
        return _dates(source, day, zone).assign(time_unreadable=False)
    if (silent := day == "").any():  # "Time" alone may hold the whole moment, "2025-03-01 08:00"
        whole = silent & clock.str.contains(_WITH_DATE)
        day, clock = day.where(~whole, clock), clock.where(~whole, "")
    # "0930" is half past nine, as loggers and older agencies write it.
    clock = clock.str.replace(r"^(\d{1,2})(\d{2})$", r"\1:\2", regex=True)
    read = _dates(source, (day + " " + clock).str.strip().where(day != "", ""), zone)
    failed = ((read["problem"] == "date-unreadable") & (clock != "")).to_numpy()
    if not failed.any():
        return read.assign(time_unreadable=False)
    alone = _dates(source, day.where(failed, ""), zone)
    rescued = failed & alone["moment"].notna().to_numpy()
    columns = {
        name: read[name].astype(alone[name].dtype if name == "moment" else "str").mask(rescued, alone[name])
        for name in read.columns
    }
    return pd.DataFrame(columns).assign(time_unreadable=rescued)


def _numbers(source: _Source, name: str) -> pd.DataFrame:
    """Read a column of numbers, each table by its decimal mark: `number rest absurd`."""
    styles = [numbers.NumberStyle(table.decimal_char) for table in source.tables]
    said = source.said(name)
    if not said.any():
        return pd.DataFrame({"number": np.full(len(said), np.nan), "rest": "", "absurd": False})
    read, _ = numbers.parse_numbers(source.text[name], source.table, styles)
    absurd = read["problem"] == "number-absurd"
    return pd.DataFrame(
        {"number": read["number"].where(said), "rest": read["rest"].astype("str"), "absurd": said & absurd}
    )


def _number(source: _Source, name: str) -> tuple[pd.Series, Flags]:
    """Read a column of numbers less those that cannot be, and tell where these stand."""
    if not source.said(name).any():
        return pd.Series(np.full(len(source.text), np.nan)), np.zeros(len(source.text), dtype="bool")
    read = _numbers(source, name)
    absurd = read["absurd"].to_numpy() | absurd_numbers(read["number"], name)
    return read["number"].mask(absurd), absurd


def _drop_value(source: _Source) -> tuple[pd.Series, Flags]:
    """Turn "1" with unit "°dH", or "1 °dH", into mg/L as CaCO3 per drop, and tell where it cannot be."""
    number, said = _numbers(source, "degree_per_drop"), source.said("degree_per_drop")
    unit = source.text["degree_unit"].where(source.text["degree_unit"] != "", number["rest"])
    code, distinct = pd.factorize(unit.where(said, ""))
    found = [units.resolve("total_hardness", str(text), "").factor for text in distinct]
    value = (number["number"] * np.array(found or [np.nan])[code]).where(said)
    absurd = number["absurd"].to_numpy() | absurd_numbers(value, "drop_mg_l")
    return value.mask(absurd), absurd
