"""A utility that changed its source has changed it everywhere, also where hardly anybody looked."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.store.observations import Observations
from pipeline.trends.answer import found_changes, trends

CHANGED = pd.Timestamp("2020-07-01")


def observed(utility_of_the_fourth: str, times: dict[str, float] | None = None) -> Observations:
    """Give three sites with quarterly visits and a fourth seen once a year; at all four the water gets half harder.

    ``times``: how many times as hard it gets at some of them instead.
    """
    draw = np.random.default_rng(4)
    quarters = pd.date_range("2016-02-10", periods=24, freq="QS") + pd.Timedelta(days=20)
    plan = [(f"S{number}", "Hill", quarters) for number in range(3)]
    plan.append(("S3", utility_of_the_fourth, pd.to_datetime([f"{year}-05-09" for year in (*range(2016, 2021), 2021)])))
    rows = [(site, utility, day) for site, utility, days in plan for day in days]
    samples = pd.DataFrame(rows, columns=["site", "supply", "collected_at"])
    samples = samples.assign(
        client="C", sampling_point="", stage="raw", region="R", country="", operator="", treatment=""
    )
    texts = ["site", "supply", "client", "sampling_point", "stage", "region", "country", "operator", "treatment"]
    samples = samples.astype(dict.fromkeys(texts, "category")).assign(counter_litres=np.nan)
    names = ["total_hardness", "alkalinity", "conductivity"]
    kinds = pd.DataFrame({"analyte": names, "unit": "mg/L", "basis": "as CaCO3", "method": "laboratory",
                          "instrument": "", "degree_per_drop": np.nan})  # fmt: skip
    kinds = kinds.astype(dict.fromkeys(("analyte", "method", "instrument"), "category"))
    factor = samples["site"].astype("str").map(times or {}).fillna(1.5).to_numpy()
    level = np.where(samples["collected_at"] >= CHANGED, factor, 1.0)
    values = np.concatenate([size * level * draw.normal(1, 0.01, len(samples)) for size in (200.0, 160.0, 450.0)])
    sample, kind = np.tile(np.arange(len(samples)), 3), np.repeat(np.arange(3), len(samples))
    readings = pd.DataFrame({"sample": sample, "kind": kind, "value": values, "limit": np.nan, "above": False})
    return Observations(samples, readings, kinds)


@pytest.mark.parametrize(("utility", "drifts"), [("Hill", False), ("Lake", True)])
def test_one_visit_after_the_change_is_no_drift_where_the_utility_changed(utility: str, *, drifts: bool) -> None:
    """Five years without a change and one that is half as hard again: of another utility it may be a drift."""
    rows = trends(observed(utility), "site").rows
    [fourth] = rows[(rows["group"] == "S3") & (rows["analyte"] == "total_hardness")].to_dict("records")

    assert (fourth["slope_high"] > 15) is drifts
    assert fourth["samples"] == 6


@pytest.mark.parametrize(
    ("times", "told"),
    [
        ({"S0": 1.2, "S1": 1.0, "S2": 1.0, "S3": 1.0}, set()),
        ({"S0": 1.4, "S1": 1.0, "S2": 1.0, "S3": 1.0}, {"S0"}),
        ({"S0": 1.2, "S1": 1.2, "S2": 1.0, "S3": 1.0}, {"S0", "S1"}),
    ],
)
def test_a_small_change_needs_a_neighbour_of_the_same_utility(times: dict[str, float], told: set[str]) -> None:
    """A fifth more at one of four places is a dry year or a meter; of two neighbours it is another source."""
    found = found_changes(observed("Hill", times)).reindex(columns=["kind", "site"])

    assert set(found.loc[found["kind"] == "source-change", "site"]) == told
