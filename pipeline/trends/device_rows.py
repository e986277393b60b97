"""People, instruments and kits: what they read too much, how that drifts, and when it jumped."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.trends.cells import blocks_by_season, group_medians
from pipeline.trends.kendall import kendall

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Codes, Floats
    from pipeline.trends.panel import Panel, SamplingPoints


DEVICES: Final = ("operator", "instrument", "kit")
CHANGE_COLUMNS: Final = ["kind", "analyte", "at", "earliest", "latest", "before", "after", "evidence", "device"]


def device_names(panel: Panel, by: str, samples: pd.DataFrame, kinds: pd.DataFrame) -> tuple[Codes, list[str]]:
    """Give of every judged reading the number of its operator, instrument or kit (-1: none) and their names."""
    names = [str(name) for name in (samples["operator"] if by == "operator" else kinds["instrument"]).cat.categories]
    judged = panel.judged
    if by == "operator":
        return panel.operator[judged], names
    counted = panel.drops[judged]
    return np.where(counted == (by == "kit"), panel.instrument[judged], -1), names


def device_rows(
    panel: Panel, by: str, samples: pd.DataFrame, kinds: pd.DataFrame, places: SamplingPoints
) -> pd.DataFrame:
    """Give one row for each device and stage: its readings, and the drift of what it reads too much."""
    if panel.bias is None:
        return pd.DataFrame()
    code, names = device_names(panel, by, samples, kinds)
    used = np.flatnonzero(code >= 0)
    if not len(used):
        return pd.DataFrame()
    at = panel.judged[used]
    stage_names = np.unique(places.table["stage"])
    stage = np.searchsorted(stage_names, places.table["stage"])[panel.place[at]]
    groups, owner = np.unique(code[used] * len(stage_names) + stage, return_inverse=True)
    too_much = _too_much(panel)[used]
    count = len(groups)
    blocks = blocks_by_season(owner, panel.year[at], too_much, np.full(count, np.nan), count)
    result = kendall(blocks, blocks.series, count)
    site = pd.factorize(places.table["client"] + "\x1f" + places.table["site"])[0][panel.place[at]]
    pairs = np.unique(owner * (int(site.max()) + 1) + site) // (int(site.max()) + 1)
    rows = pd.DataFrame({
        "group": [names[number // len(stage_names)] for number in groups], "analyte": panel.analyte,
        "stage": stage_names[groups % len(stage_names)], "unit": panel.unit,
        "samples": np.bincount(owner, minlength=count), "sites": np.bincount(pairs, minlength=count), "censored": 0.0,
        "median": group_medians(owner, panel.value[at], count), "median_low": np.nan, "median_high": np.nan,
        "slope_per_year": result.slope, "slope_low": result.slope_low, "slope_high": result.slope_high, "p": result.p,
        "season": None, "pooled_slope": np.nan,
    })  # fmt: skip
    known = panel.bias.devices[panel.bias.devices["kind"] == ("operator" if by == "operator" else "instrument")]
    known = known.set_index("code")[["bias", "low", "high", "places", "q", "named", "measure"]].add_prefix("bias_")
    return rows.join(
        known.rename(columns={"bias_bias": "bias"}).reindex(groups // len(stage_names)).reset_index(drop=True)
    )


def _too_much(panel: Panel) -> Floats:
    """Give what every judged reading is above its place and time, in its unit."""
    assert panel.bias is not None  # noqa: S101 - its callers have looked
    excess = panel.bias.excess
    return panel.bias.raw * -np.expm1(-excess) if panel.logarithmic else excess


def device_changes(panel: Panel, by: str, samples: pd.DataFrame, kinds: pd.DataFrame) -> pd.DataFrame:
    """Tell which instruments jumped, and, asked by device, which always read high or low.

    Returns
    -------
    One row for each (``CHANGE_COLUMNS``; times in years, before and after in the unit of the quantity: what is read
    too much); `device` is the number of the device, and `kind` always "instrument".
    """
    if panel.bias is None:
        return pd.DataFrame(columns=CHANGE_COLUMNS)
    parts = []
    if by != "operator":
        parts.append(_jumps(panel, [str(name) for name in kinds["instrument"].cat.categories]))
    if by in DEVICES:
        parts.append(_always(panel, by, samples, kinds))
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=CHANGE_COLUMNS)


def _in_unit(panel: Panel, code: Codes, shares: Floats) -> Floats:
    """Turn what instruments read too much as a share into the unit, at their usual reading."""
    if not panel.logarithmic:
        return shares
    own = panel.instrument[panel.judged]
    usual = group_medians(np.maximum(own, 0), panel.value[panel.judged], int(max(own.max(initial=0), 0)) + 1)
    return np.asarray(usual[code] * np.expm1(shares))


def _jumps(panel: Panel, names: list[str]) -> pd.DataFrame:
    assert panel.bias is not None  # noqa: S101 - its callers have looked
    steps = panel.bias.steps
    if steps.empty:
        return pd.DataFrame(columns=CHANGE_COLUMNS)
    year = panel.year[panel.judged]
    code = steps["code"].to_numpy(dtype=np.int64)
    level = {name: steps[name].to_numpy(dtype=np.float64) for name in ("from_", "to")}
    words = [
        f"{names[number]} jumps at all its sites at once, {_amount(panel, low)} before and "
        f"{_amount(panel, high)} after, beside {_beside(panel)}. "
        "Ask who keeps it whether it was calibrated, repaired or set anew."
        for number, low, high in zip(code, level["from_"], level["to"], strict=True)
    ]
    rows = {name: steps[name].to_numpy(dtype=np.int64) for name in ("before", "after", "earliest", "latest")}
    return pd.DataFrame({
        "kind": "instrument", "analyte": panel.analyte, "at": (year[rows["before"]] + year[rows["after"]]) / 2,
        "earliest": year[rows["earliest"]], "latest": year[rows["latest"]],
        "before": _in_unit(panel, code, level["from_"]), "after": _in_unit(panel, code, level["to"]),
        "evidence": words, "device": code,
    })  # fmt: skip


def _always(panel: Panel, by: str, samples: pd.DataFrame, kinds: pd.DataFrame) -> pd.DataFrame:
    """Tell which devices read high or low all the time."""
    assert panel.bias is not None  # noqa: S101 - its callers have looked
    code, names = device_names(panel, by, samples, kinds)
    kind = "operator" if by == "operator" else "instrument"
    devices = panel.bias.devices
    named = devices[(devices["kind"] == kind) & devices["named"] & devices["code"].isin(code[code >= 0])]
    if named.empty:
        return pd.DataFrame(columns=CHANGE_COLUMNS)
    year = panel.year[panel.judged]
    span = pd.DataFrame({"code": code, "year": year}).groupby("code")["year"].agg(["min", "max"]).loc[named["code"]]
    drops = (named["measure"] == "drops").to_numpy()
    degree = pd.Series(panel.bias.degree).groupby(code).median().reindex(named["code"]).to_numpy()
    number = named["code"].to_numpy(dtype=np.int64)
    bias = named["bias"].to_numpy(dtype=np.float64)
    after = np.where(drops, bias * degree, _in_unit(panel, np.where(drops, 0, number), np.where(drops, 0.0, bias)))
    words = [_bias_words(panel, names[row["code"]], row) for row in named.to_dict("records")]
    return pd.DataFrame({
        "kind": "instrument", "analyte": panel.analyte, "at": span["min"].to_numpy(),
        "earliest": span["min"].to_numpy(), "latest": span["max"].to_numpy(), "before": 0.0,
        "after": after, "evidence": words, "device": number,
    })  # fmt: skip


def _bias_words(panel: Panel, name: str, row: Mapping[Any, Any]) -> str:
    middle, low, high = (_amount(panel, row[key], row["measure"]) for key in ("bias", "low", "high"))
    ask = (
        "Ask whether the first drop is counted." if row["measure"] == "drops" else "Ask for a check against a standard."
    )
    also = ""
    if np.isfinite(row["times"]):
        also = f", everywhere about {row['times']:.2f} times"
        ask = "Ask which degree a drop of the kit is worth and how much sample is taken."
    return (
        f"{name} reads {middle} (95 %: {low} to {high}){also} beside {_beside(panel)}, "
        f"{row['readings']} readings at {row['places']} places. {ask}"
    )


def _beside(panel: Panel) -> str:
    assert panel.bias is not None  # noqa: S101 - its callers have looked
    return "the laboratory" if panel.bias.against_laboratory else "the others"


def _amount(panel: Panel, bias: float, measure: str = "reading") -> str:
    if measure == "drops":
        return f"{bias:+.1f} drops"
    return f"{100 * np.expm1(bias):+.1f} %" if panel.logarithmic else f"{bias:+.2f}"
