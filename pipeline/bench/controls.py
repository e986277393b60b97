"""The controls of a store over time, by instrument, method, operator or kind of kit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.bench.control_chart import chart_of, detection_limit
from pipeline.checks.control_rows import control_rows
from pipeline.checks.meter_standards import true_value
from pipeline.store.database import Store
from pipeline.store.table import sample_table
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.settings import Settings

CHART_GROUPS: Final = ("instrument", "method", "operator")
CHART_COLUMNS: Final = (
    "analyte", "group", "readings", "mean", "deviation", "unit", "warning_low", "warning_high", "action_low",
    "action_high", "last", "last_on", "state", "breaks", "drift_since", "detection_limit", "detection_unit",
)  # fmt: skip
_GRAVITY: Final = ("out of control", "drifting", "warning", "in control", "too few")
_METERED: Final = ("conductivity", "ph")
_NO_DETECTION: Final = ("ph", "conductivity", "temperature", "tds")
_BY_DROPS: Final = ("drops", "typed", "strip")


def control_readings(settings: Settings) -> pd.DataFrame:
    """Return the readings of all controls of a store, in the order of time.

    Returns
    -------
    (n, …) frame `analyte kind called value recovery on instrument method operator`; ``recovery`` of a standard in %, of
    a buffer the pH off; missing where nothing says what it should have read.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        found = store.connection.execute(
            "SELECT sample_id FROM sample WHERE activity IN ('blank', 'standard') ORDER BY collected_at, sample_id"
        ).fetchall()
        if not found:
            return pd.DataFrame(columns=["analyte", "kind", "called", "value", "recovery", "on", *CHART_GROUPS])
        samples = sample_table(store, [str(name) for (name,) in found])
    about = samples.about
    rows = control_rows(samples)
    true = np.array([true_value(row) if row.analyte in _METERED else row.true for row in rows])
    table = pd.DataFrame([vars(row) for row in rows])
    figure = np.where(table["analyte"].isin(_METERED), table["value"], table["figure"])
    recovery = np.where(table["analyte"] == "ph", table["value"] - true, 100.0 * figure / true)
    place = table["place"].to_numpy()
    return pd.DataFrame(
        {
            "analyte": table["analyte"],
            "kind": table["kind"],
            "called": table["called"],
            "value": table["value"],
            "recovery": np.where(table["kind"] == "standard", recovery, np.nan),
            "on": about["collected_at"].to_numpy()[place],
            "instrument": table["instrument"],
            "method": table["method"],
            "operator": about["operator"].astype("str").to_numpy()[place],
        }
    ).sort_values("on", kind="stable", ignore_index=True)


def control_charts(readings: pd.DataFrame, by: str) -> pd.DataFrame:
    """Draw one chart for each quantity and group, those that are out of control first.

    Parameters
    ----------
    readings : of ``control_readings``.
    by : one of CHART_GROUPS.

    Returns
    -------
    frame of CHART_COLUMNS; ``state`` is `in control`, `warning`, `out of control`, `drifting` or `too few`.
    """
    rows: list[dict[str, Any]] = []
    for (analyte, group), own in readings.groupby(["analyte", by], sort=True):
        chart = _chart(str(analyte), str(group), own)
        if chart["readings"] or not math.isnan(chart["detection_limit"]):
            rows.append(chart)
    rows.sort(key=lambda row: (_GRAVITY.index(row["state"]), row["analyte"], row["group"]))
    return pd.DataFrame(rows, columns=list(CHART_COLUMNS))


def _chart(analyte: str, group: str, own: pd.DataFrame) -> dict[str, Any]:
    """Draw the chart of one quantity of one instrument, method or operator."""
    standards = own[own["recovery"].notna()]
    values, days = standards["recovery"].to_numpy(), pd.DatetimeIndex(standards["on"])
    blank: dict[str, Any] = dict.fromkeys(CHART_COLUMNS, np.nan)
    told = {
        **blank,
        "analyte": analyte,
        "group": group,
        "readings": len(values),
        "unit": "pH off" if analyte == "ph" else "% of the standard",
        "state": "too few",
        "breaks": "",
        "drift_since": "",
        "detection_limit": _detection(analyte, own),
        "detection_unit": ANALYTES[analyte].unit if analyte in ANALYTES else "",
    }
    if len(values) < 2:  # noqa: PLR2004 - a deviation needs two
        return told
    chart = chart_of(values)
    broken = [f"{_day(days, place)} {rule}" for place, rule in chart.breaks if rule != "1 2s"]
    return {
        **told,
        "mean": chart.mean,
        "deviation": chart.deviation,
        "warning_low": chart.warning[0],
        "warning_high": chart.warning[1],
        "action_low": chart.action[0],
        "action_high": chart.action[1],
        "last": float(values[-1]),
        "last_on": _day(days, len(values) - 1),
        "state": _state(chart.sure, chart.breaks, chart.drift, len(values)),
        "breaks": ", ".join(broken),
        "drift_since": _day(days, chart.drift) if chart.sure and chart.drift >= 0 else "",
    }


def _state(sure: bool, breaks: tuple[tuple[int, str], ...], drift: int, size: int) -> str:
    """Say how things stand at the last reading."""
    if not sure:
        return "too few"
    now = dict(breaks).get(size - 1, "")
    if now and now != "1 2s":
        return "out of control"
    if drift >= 0:
        return "drifting"
    return "warning" if now else "in control"


def _day(days: pd.DatetimeIndex, place: int) -> str:
    return "" if pd.isna(days[place]) else f"{days[place]:%Y-%m-%d}"


def _detection(analyte: str, own: pd.DataFrame) -> float:
    """Give the detection limit of a method of the laboratory; a kit's limit is its drop."""
    measured = own[~own["method"].isin(_BY_DROPS) & own["value"].notna()]
    if analyte in _NO_DETECTION:
        return float("nan")
    blanks = measured.loc[measured["kind"] == "blank", "value"].to_numpy()
    return detection_limit(blanks, np.zeros(0))
