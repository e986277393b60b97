"""What a source row says beside its readings: dates, kit, titrant, counters; text to values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.normalise import dates, numbers, units
from pipeline.normalise.time_zones import known_zone
from pipeline.problems import no_problems, problem_frame
from schemas.columns import ACTIVITIES, STAGES

if TYPE_CHECKING:
    from pipeline.ingest.extract import Extract

_MONTH_FIRST: Final = frozenset({"us", "usa", "u.s.", "u.s.a.", "united states", "united states of america"})
_DATES: Final = ("analysed_on", "received_on", "reagent_expiry", "calibrated_on")
_NUMBERS: Final = (
    "nominal_ml",
    "used_ml",
    "titrant_normality",
    "blank_ml",
    "titrant_factor",
    "litres_per_day",
    "bypass_percent",
    "counter_litres",
)


def typed(extract: Extract, file_sha256: str, time_zone: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Type the rows of an extract.

    Parameters
    ----------
    extract : rows and formats of one table.
    file_sha256 : of its file, for the notices.
    time_zone : of times that name none.

    Returns
    -------
    rows : texts as they were, plus `collected_at` (UTC), `collected_precision`, the other dates as UTC
        times, the numbers as floats and `drop_mg_l` (value of one drop, mg/L as CaCO3).
    notices : what could not be read or was ambiguous (PROBLEM_COLUMNS).
    """
    source = extract.rows
    rows = source.copy()
    notices = [no_problems()]

    def notice(code: str, column: str, where: pd.Series, detail: pd.Series | str = "") -> None:
        if where.any():
            notices.append(
                problem_frame(
                    code,
                    file_sha256=file_sha256,
                    line=source["line"][where],
                    column=column,
                    raw_text=source[column][where],
                    detail=detail[where] if isinstance(detail, pd.Series) else detail,
                )
            )

    zones = source["time_zone"].map({text: known_zone(text) for text in source["time_zone"].unique()})
    notice(
        "field-unreadable",
        "time_zone",
        (source["time_zone"].str.strip() != "") & (zones == ""),
        f"not a time zone; times were taken as {time_zone}",
    )
    zone = zones.where(zones != "", time_zone)
    read = _collected(source, extract.date_formats, zone)
    rows["collected_at"], rows["collected_precision"] = read["moment"], read["precision"]
    notice("date-unreadable", "collected_on", read["problem"] == "date-unreadable")
    notice("date-unreadable", "collected_at_time", read["time_unreadable"])
    doubtful = read["problem"] == "date-ambiguous"
    shown = read["moment"].where(doubtful).dt.floor("D").dt.date.astype("str") if doubtful.any() else ""
    notice("date-ambiguous", "collected_on", doubtful, shown)
    rows["stage"] = source["stage"].where(source["stage"].isin(STAGES), "")
    rows["activity"] = source["activity"].where(source["activity"].isin(ACTIVITIES), "")
    nothing = {name for name in (*_DATES, *_NUMBERS) if not (source[name] != "").any()}
    for name in _DATES:
        if name in nothing:
            rows[name] = pd.Series(pd.NaT, index=source.index, dtype="datetime64[us, UTC]")
            continue
        one = dates.parse(source[name], extract.date_formats, zone, month_first=_american(source))
        rows[name] = one["moment"]
        notice("date-unreadable", name, one["problem"] == "date-unreadable")
    for name in _NUMBERS:
        if name in nothing:
            rows[name] = np.nan
            continue
        number, _ = numbers.parse(source[name], extract.decimal_char, frozenset())
        rows[name] = number["number"]
        bad = (source[name] != "") & number["number"].isna()
        notice("field-unreadable", name, bad, "a number is expected")
    rows["drop_mg_l"] = np.nan
    if (source["degree_per_drop"] != "").any():
        rows["drop_mg_l"], bad = _drop_value(source, extract.decimal_char)
        notice("field-unreadable", "degree_per_drop", bad, "a number with a degree of hardness is expected")
    return rows, pd.concat(notices, ignore_index=True)


def _american(source: pd.DataFrame) -> bool:
    """Tell whether all rows that name a country name the one that writes the month first [CP]."""
    countries = set(source["country"].str.strip().str.casefold().unique()) - {""}
    return bool(countries) and countries <= _MONTH_FIRST


def _collected(source: pd.DataFrame, formats: tuple[str, ...], zone: pd.Series) -> pd.DataFrame:
    """Read day and time of sampling; where the time is no time the day still counts."""
    # "0930" is half past nine, as loggers and older agencies write it.
    clock = source["collected_at_time"].str.replace(r"^(\d{1,2})(\d{2})$", r"\1:\2", regex=True)
    day = source["collected_on"]
    stamp = (day + " " + clock).str.strip().where(day != "", "")
    read = dates.parse(stamp, formats, zone, month_first=_american(source))
    failed = (read["problem"] == "date-unreadable") & (clock != "")
    if not failed.any():
        return read.assign(time_unreadable=False)
    alone = dates.parse(day.where(failed, ""), formats, zone, month_first=_american(source))
    rescued = failed & alone["moment"].notna()
    columns = {
        name: read[name].astype(alone[name].dtype if name == "moment" else "str").mask(rescued, alone[name])
        for name in read.columns
    }
    return pd.DataFrame(columns).assign(time_unreadable=rescued)


def _drop_value(source: pd.DataFrame, decimal: str) -> tuple[pd.Series, pd.Series]:
    """Turn "1" with unit "°dH", or "1 °dH", into mg/L as CaCO3 per drop."""
    number, _ = numbers.parse(source["degree_per_drop"], decimal, frozenset())
    unit = source["degree_unit"].where(source["degree_unit"] != "", number["rest"].astype("str"))
    code, distinct = pd.factorize(unit)
    found = [units.resolve("total_hardness", text, "") for text in distinct]
    factor = np.array([one.factor for one in found] or [np.nan])[np.maximum(code, 0)]
    value = number["number"] * factor
    stated = source["degree_per_drop"] != ""
    return value.where(stated), stated & value.isna()
