"""Used-up media: the treated water comes close to the raw water again, until the medium is changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.trends.source import CHANGE_FIELDS

if TYPE_CHECKING:
    from pipeline.arrays import Codes, Floats
    from pipeline.trends.panel import Panel, SamplingPoints


_QUANTITIES: Final = ("alkalinity", "total_hardness", "conductivity")
_BEHIND: Final = ("treated", "machine_inlet", "permeate")
_TAKEN_OUT: Final = 0.7  # a treatment leaves less than this share of what it removes
_USED: Final = 0.35  # of the way back to the raw water
_FAR: Final = 0.8  # so far back that one visit is enough
_LEAST: Final = 4  # visits


def exhaustions(panels: dict[str, Panel], places: SamplingPoints, litres: Floats) -> pd.DataFrame:
    """Find where a treated water came back to the raw water of its site.

    Parameters
    ----------
    litres : (samples,) counter since the change of the cartridge; NaN where not read.

    Returns
    -------
    One row for each time a medium was used up (``CHANGE_FIELDS``; times in years): between the last visit that found it
    working and the first that did not.
    """
    table = places.table
    site = pd.factorize(table["client"] + "\x1f" + table["site"])[0]
    shares = [_shares(panels[name], table, site) for name in _QUANTITIES if name in panels]
    found = pd.concat([frame for frame in shares if len(frame)] or [pd.DataFrame(columns=["place"])])
    if found.empty:
        return pd.DataFrame(columns=CHANGE_FIELDS)
    grouped = found.groupby(["place", "analyte"])["share"]
    usual = pd.DataFrame({"usual": grouped.quantile(0.25), "visits": grouped.size()})
    usual = usual[(usual["usual"] <= _TAKEN_OUT) & (usual["visits"] >= _LEAST)].reset_index()
    chosen = usual.sort_values(["place", "usual"]).drop_duplicates("place")
    series = found.merge(chosen, on=["place", "analyte"]).sort_values(["place", "year"], ignore_index=True)
    back = _way_back(series)
    used = (back >= _USED).to_numpy()
    same_before = (series["place"] == series["place"].shift()).to_numpy()
    same_after = (series["place"] == series["place"].shift(-1)).to_numpy()
    began = used & same_before & ~np.concatenate(([False], used[:-1]))
    lasts = (np.concatenate((used[1:], [False])) & same_after) | (back >= _FAR).to_numpy()
    rows = np.flatnonzero(began & lasts)
    before, after = series.iloc[rows - 1].reset_index(drop=True), series.iloc[rows].reset_index(drop=True)
    return pd.DataFrame({
        "kind": "exhaustion", "place": after["place"], "analyte": after["analyte"],
        "at": (before["year"] + after["year"]) / 2, "earliest": before["year"], "latest": after["year"],
        "before": before["value"], "after": after["value"],
        "evidence": [_evidence(*shares) for shares in
                     zip(before["share"], after["share"], litres[after["sample"]], strict=True)],
    })[CHANGE_FIELDS]  # fmt: skip


def _way_back(series: pd.DataFrame) -> pd.Series:
    """Give how far each treated water has come back to its raw water: 0 as usual, 1 all the way.

    A raw water that gets softer lets a larger share through a treatment that works as before; what counts is the
    lesser of the way in shares and in the treated value itself.
    """
    in_shares = (series["share"] - series["usual"]) / (1 - series["usual"])
    usual = series["place"].map(series.groupby("place")["value"].quantile(0.25))
    room = (series["raw"] - usual).where(series["raw"] > usual)
    in_value = ((series["value"] - usual) / room).fillna(0.0)
    return in_shares.where(in_shares < in_value, in_value)


def _evidence(before: float, after: float, litres: float) -> str:
    counted = f" at {litres:.0f} L on the counter" if np.isfinite(litres) else ""
    return (
        f"{100 * before:.0f} % of the raw water came through, then {100 * after:.0f} %{counted}. "
        "Ask the site when the medium was last changed, and change it earlier."
    )


def _shares(panel: Panel, table: pd.DataFrame, site: Codes) -> pd.DataFrame:
    """Give what share of the raw water the treated water of the same site still has, visit by visit."""
    stage = table["stage"].to_numpy()
    known = panel.first & np.isfinite(panel.value)
    frame = pd.DataFrame({
        "place": panel.place[known], "site": site[panel.place[known]], "year": panel.year[known],
        "value": panel.value[known], "sample": panel.sample[known], "stage": stage[panel.place[known]],
    }).sort_values("year", ignore_index=True)  # fmt: skip
    raw = frame.loc[(frame["stage"] == "raw") & (frame["value"] > 0), ["site", "year", "value"]].rename(
        columns={"value": "raw"}
    )
    behind = frame[frame["stage"].isin(_BEHIND)]
    if raw.empty or behind.empty:
        return pd.DataFrame()
    paired = pd.merge_asof(behind, raw, on="year", by="site", direction="nearest").dropna(subset=["raw"])
    return paired.assign(share=paired["value"] / paired["raw"], analyte=panel.analyte)
