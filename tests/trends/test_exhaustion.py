"""Media that are used up, and raw waters that change before a treatment that works."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.store.observations import Observations
from pipeline.trends.answer import found_changes

MONTHS = pd.date_range("2020-01-15", periods=24, freq="MS")


def observed(raw: list[float], treated: list[float]) -> Observations:
    """Give monthly alkalinities of one tap before and after its treatment."""
    stages = ["raw"] * len(raw) + ["treated"] * len(treated)
    texts = {"client": "C", "site": "S", "sampling_point": "", "region": "R", "country": "", "supply": "U",
             "operator": "", "treatment": "decarboniser"}  # fmt: skip
    samples = pd.DataFrame(texts | {"stage": stages}, dtype="category")
    samples["collected_at"] = [*MONTHS, *MONTHS]
    samples["counter_litres"] = np.nan
    kinds = pd.DataFrame({"analyte": ["alkalinity"], "unit": ["mg/L"], "basis": ["as CaCO3"], "method": ["laboratory"],
                          "instrument": [""], "degree_per_drop": [np.nan]})  # fmt: skip
    kinds = kinds.astype(dict.fromkeys(("analyte", "method", "instrument"), "category"))
    readings = pd.DataFrame({"sample": np.arange(len(samples)), "kind": 0, "value": [*raw, *treated], "limit": np.nan,
                             "above": False})  # fmt: skip
    return Observations(samples, readings, kinds)


def test_treated_water_that_comes_back_to_the_raw_water_is_told_in_its_gap() -> None:
    treated = [60.0] * 18 + [150.0, 195.0, 200.0, 60.0, 60.0, 60.0]

    found = found_changes(observed([200.0] * 24, treated))
    used_up = found[found["kind"] == "exhaustion"]

    assert len(used_up) == 1
    assert (used_up["before"].item(), used_up["after"].item()) == (60.0, 150.0)
    alone = found_changes(observed([200.0] * 24, treated), ("exhaustion",))
    pd.testing.assert_frame_equal(alone, used_up.reset_index(drop=True)[list(alone)], check_dtype=False)


def test_a_softer_raw_water_before_a_steady_treatment_is_none() -> None:
    """In summer the raw water has 100 and not 200: the 60 after the treatment are then 60 %, and as many as before."""
    raw = [200.0 if abs(month - 6.5) > 3 else 100.0 for month in MONTHS.month]

    found = found_changes(observed(raw, [60.0] * 24))

    assert found.empty
