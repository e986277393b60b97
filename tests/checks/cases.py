"""Load the good and bad cases of the checks: `cases/<check id>/good.csv` and `bad.csv`.

Wide cases have one row per sample: canonical columns, about columns, and `X.method`, `X.u`, `X.low`,
`X.high` beside a column `X`. Long cases have a column `analyte` and one row per reading. Three
columns are for the reader and the test only: `case` says what the row shows, `also` names the checks
that must hold the same record (separated by blanks), `#` starts a comment line. A wide `earlier.csv`
beside them holds the samples that earlier batches brought.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import column
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import SampleTable, samples_from_wide, widen
from schemas.columns import ANALYTES, WIDE_COLUMNS
from schemas.methods import METHODS
from schemas.tables import ABOUT_COLUMNS

FOLDER: Final = Path(__file__).parent / "cases"

_READING_TEXT: Final = [
    "unit",
    "basis",
    "qualifier",
    "method",
    "form",
    "raw_text",
    "raw_unit",
    "raw_basis",
    "note",
    "instrument",
    "ambiguous",
    "status",
]
_READING_NUMBERS: Final = [
    "value",
    "limit",
    "value_low",
    "value_high",
    "uncertainty",
    "drops",
    "degree_per_drop",
    "nominal_ml",
    "used_ml",
]
_READING: Final = (*_READING_TEXT, *_READING_NUMBERS, "analyte", "sample_id", "line", "column", "counts")
_MOMENTS: Final = ("collected_at", "analysed_on", "received_on", "reagent_expiry", "calibrated_on")


def load_case(path: Path) -> SampleTable:
    """Read one case file as the checks see it: joined into samples, stand-ins filled in.

    Parameters
    ----------
    path : a wide CSV, or a long one (with a column `analyte`).

    Returns
    -------
    the filled sample table. `sample_id` defaults to the row number, `file_sha256` to "case",
    `method` to "laboratory"; text that is not given is "".
    """
    frame = pd.read_csv(path, comment="#", dtype="str", keep_default_na=False, skipinitialspace=True)
    table = with_derived(_long(frame) if "analyte" in frame else _wide(frame))
    before = path.with_name("earlier.csv")
    return replace(table, earlier=_earlier(before)) if before.exists() else table


def _earlier(path: Path) -> pd.DataFrame:
    """Read earlier samples as the store gives them: texts never missing, times without a zone."""
    frame = pd.read_csv(path, parse_dates=["collected_at"])
    return frame.assign(sampling_point="")


def table_of(**columns: object) -> SampleTable:
    """Build a filled sample table from a few wide columns; `X__u`, `X__low`, … stand for `X.u`, `X.low`."""
    frame = pd.DataFrame({name.replace("__", "."): values for name, values in columns.items()}, dtype=object)
    return with_derived(_wide(frame.astype("str").replace({"nan": "", "None": ""})))


def join(tables: dict[str, SampleTable]) -> SampleTable:
    """Lay several cases under one another, each its own client and source; ids become `name/id`."""
    frames: dict[str, pd.DataFrame] = {}
    for part in ("measured", "filled", "uncertainty", "low", "high", "method", "about", "readings"):
        named = [_named(getattr(table, part), name) for name, table in tables.items()]
        frames[part] = pd.concat(named, ignore_index=part == "readings")
    for part in ("about", "readings"):
        worded = [name for name in frames[part] if pd.api.types.is_string_dtype(frames[part][name])]
        frames[part] = frames[part].fillna(dict.fromkeys(worded, ""))
    frames["readings"]["counts"] = frames["readings"]["counts"].ne(False)
    columns = frames["method"].items()
    known = [_named(table.earlier, name) for name, table in tables.items() if len(table.earlier)]
    frames["earlier"] = pd.concat(known, ignore_index=True) if known else pd.DataFrame()
    frames["method"] = pd.DataFrame(
        {name: pd.Categorical(column, categories=list(METHODS)) for name, column in columns},
        index=frames["method"].index,
    )
    return SampleTable(**frames)


def _named(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Put the name of the case before whatever tells samples, clients and sources apart."""
    renamed = frame.copy()
    if frame.index.name == "sample_id":
        renamed.index = pd.Index([f"{name}/{identifier}" for identifier in frame.index], name="sample_id")
    for column_name in ("sample_id", "client", "file_sha256"):
        if column_name in frame:
            text = frame[column_name].astype("str")
            renamed[column_name] = (f"{name}/" + text).where(text != "", "").to_numpy()
    return renamed


def _wide(frame: pd.DataFrame) -> SampleTable:
    wide = frame.copy()
    for name in wide.columns:
        quantity, _, part = str(name).partition(".")
        if quantity not in WIDE_COLUMNS:
            continue
        if part == "method":
            wide[name] = wide[name].where(wide[name] != "", "laboratory")
        else:
            wide[name] = pd.to_numeric(wide[name].where(wide[name] != ""))
    wide = _about(wide)
    if "sample_id" not in wide:
        wide["sample_id"] = [str(row) for row in range(1, len(wide) + 1)]
    return samples_from_wide(wide)


def _long(frame: pd.DataFrame) -> SampleTable:
    readings = frame.copy()
    unknown = sorted(set(readings["analyte"]) - set(ANALYTES))
    assert not unknown, f"no such analyte: {unknown}"
    for name in _READING_NUMBERS:
        readings[name] = column(readings, name) if name not in frame else _numbers(frame[name])
    for name in _READING_TEXT:
        given = frame.get(name, pd.Series("", index=frame.index, dtype="str"))
        readings[name] = given.where(given != "", "laboratory" if name == "method" else "")
    for name in ("unit", "basis"):
        canonical = readings["analyte"].map({code: getattr(item, name) for code, item in ANALYTES.items()})
        readings[name] = readings[name].where(readings[name] != "", canonical)
    spread = readings["uncertainty"].fillna(0.0)
    censored = (readings["qualifier"] == "<").to_numpy()
    value = readings["value"]
    readings["value_low"] = readings["value_low"].fillna((value - spread).where(~censored, 0.0))
    readings["value_high"] = readings["value_high"].fillna((value + spread).where(~censored, readings["limit"]))
    readings["line"] = _numbers(frame["line"]).astype("int64") if "line" in frame else np.arange(2, len(frame) + 2)
    readings["column"] = readings.get("column", readings["analyte"])
    readings["counts"] = True
    about = _about(frame.drop(columns=[name for name in _READING if name in frame and name != "sample_id"]))
    about["line"] = readings["line"]
    readings["file_sha256"] = about["file_sha256"]
    about = about.drop_duplicates("sample_id").set_index("sample_id")
    return widen(about, readings[[*_READING, "file_sha256"]])


def _numbers(texts: pd.Series) -> pd.Series:
    return pd.to_numeric(texts.where(texts != "")).astype("float64")


def _about(frame: pd.DataFrame) -> pd.DataFrame:
    """Give every about column its place and type: text "", moments in UTC."""
    about = frame.copy()
    for name in ABOUT_COLUMNS:
        if name not in about:
            about[name] = ""
    if "file_sha256" not in about:
        about["file_sha256"] = "case"
    for name in _MOMENTS:
        if name in about:
            given = about[name].where(about[name] != "")
            about[name] = pd.to_datetime(given, format="ISO8601", utc=True).astype("datetime64[us, UTC]")
    for name in ("litres_per_day", "bypass_percent", "counter_litres", "revisions"):
        if name in about:
            about[name] = _numbers(about[name])
    return about
