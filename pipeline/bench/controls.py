"""The controls of a store over time, by instrument, method, operator or lot of reagent."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.bench.control_chart import LEAST_BLANKS, blank_limit, chart_of, moving_average, spike_limit
from pipeline.checks.control_rows import control_rows
from pipeline.checks.meter_standards import true_value
from pipeline.store.database import Store
from pipeline.store.table import sample_table
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.settings import Settings

CHART_GROUPS: Final = ("instrument", "method", "operator", "lot")
CHART_COLUMNS: Final = (
    "analyte", "group", "readings", "mean", "deviation", "unit", "warning_low", "warning_high", "action_low",
    "action_high", "last", "last_on", "state", "breaks", "drift_since", "detection_limit", "limit_by_blanks",
    "limit_by_spikes", "detection_unit",
)  # fmt: skip
POINT_COLUMNS: Final = (
    "analyte", "group", "on", "value", "average", "average_low", "average_high", "rule", "called", "unit", "mean",
    "warning_low", "warning_high", "action_low", "action_high",
)  # fmt: skip
_GRAVITY: Final = ("out of control", "drifting", "warning", "in control", "too few")
_METERED: Final = ("conductivity", "ph")
# What has no detection limit of this kind: measures of a whole water, and titrations [CFR136].
_NO_DETECTION: Final = (
    "ph", "conductivity", "temperature", "tds", "redox", "turbidity", "total_hardness", "calcium_hardness",
    "alkalinity", "phenolphthalein_alkalinity",
)  # fmt: skip
_BY_DROPS: Final = ("drops", "typed", "strip", "burette")


def control_readings(settings: Settings) -> pd.DataFrame:
    """Return the readings of all controls of a store, in the order of time.

    Returns
    -------
    (n, …) frame `analyte kind called value added recovery on instrument method operator lot`; ``recovery`` of a
    standard in %, of a buffer the pH off; missing where nothing says what it should have read. ``added``: to a spiked
    blank.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        found = store.connection.execute(
            "SELECT sample_id FROM sample WHERE activity IN ('blank', 'standard', 'spike') "
            "ORDER BY collected_at, sample_id"
        ).fetchall()
        if not found:
            return pd.DataFrame(
                columns=["analyte", "kind", "called", "value", "added", "recovery", "on", *CHART_GROUPS]
            )
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
            # What is spiked is a blank where its label names no water; a spiked water says nothing about the limit.
            "added": table["added"].where(table["parent"] < 0),
            "recovery": np.where(table["kind"] == "standard", recovery, np.nan),
            "on": about["collected_at"].to_numpy()[place],
            "instrument": table["instrument"],
            "method": table["method"],
            "operator": about["operator"].astype("str").to_numpy()[place],
            "lot": about["reagent_lot"].astype("str").to_numpy()[place] if "reagent_lot" in about else "",
        }
    ).sort_values("on", kind="stable", ignore_index=True)


def chart_points(readings: pd.DataFrame, by: str) -> pd.DataFrame:
    """Give every point of every chart, to be drawn: ``control_chart_svg`` takes those of one quantity and group.

    Parameters
    ----------
    readings : of ``control_readings``.
    by : one of CHART_GROUPS.

    Returns
    -------
    frame of POINT_COLUMNS in the order of time; limits are missing where there are too few readings to draw them.
    """
    parts = [
        _points(str(analyte), str(group), own)
        for (analyte, group), own in readings[readings["recovery"].notna()].groupby(["analyte", by], sort=True)
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(POINT_COLUMNS))


def _points(analyte: str, group: str, own: pd.DataFrame) -> pd.DataFrame:
    values = own["recovery"].to_numpy(dtype=np.float64)
    points = pd.DataFrame({
        "analyte": analyte, "group": group, "on": own["on"].to_numpy(), "value": values,
        "called": own["called"].to_numpy(), "unit": _chart_unit(analyte), "rule": "",
    })  # fmt: skip
    if len(values) < 2:  # noqa: PLR2004 - a deviation needs two
        return points.reindex(columns=list(POINT_COLUMNS))
    chart = chart_of(values)
    scaled = (values - chart.mean) / chart.deviation if chart.deviation > 0 else np.zeros(len(values))
    average, width = moving_average(scaled)
    rules = dict(chart.breaks) if chart.sure else {}
    points = points.assign(
        mean=chart.mean, average=chart.mean + chart.deviation * average,
        rule=[rules.get(place, "") for place in range(len(values))],
    )  # fmt: skip
    if chart.sure:
        points = points.assign(
            average_low=chart.mean - chart.deviation * width, average_high=chart.mean + chart.deviation * width,
            warning_low=chart.warning[0], warning_high=chart.warning[1], action_low=chart.action[0],
            action_high=chart.action[1],
        )  # fmt: skip
    return points.reindex(columns=list(POINT_COLUMNS))


def _chart_unit(analyte: str) -> str:
    return "pH off" if analyte == "ph" else "% of the standard"


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
        "unit": _chart_unit(analyte),
        "state": "too few",
        "breaks": "",
        "drift_since": "",
        **_detection(analyte, own),
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


def _detection(analyte: str, own: pd.DataFrame) -> dict[str, float]:
    """Give the detection limit of a method of the laboratory by blanks and by spikes; a kit's limit is its drop."""
    by_blanks = by_spikes = float("nan")
    if analyte not in _NO_DETECTION:
        measured = own[~own["method"].isin(_BY_DROPS)]
        by_blanks = blank_limit(measured.loc[measured["kind"] == "blank", "value"].to_numpy(dtype=np.float64))
        spikes = measured[(measured["kind"] == "spike") & measured["added"].notna() & measured["value"].notna()]
        # Spikes of one level only: the scatter between levels is none of the method.
        levels = spikes.groupby("added").filter(lambda level: len(level) >= LEAST_BLANKS)
        if len(levels):
            lowest = levels[levels["added"] == levels["added"].min()]
            by_spikes = spike_limit(lowest["value"].to_numpy(dtype=np.float64))
    known = [limit for limit in (by_blanks, by_spikes) if not math.isnan(limit)]
    return {
        "detection_limit": max(known, default=float("nan")),
        "limit_by_blanks": by_blanks,
        "limit_by_spikes": by_spikes,
    }
