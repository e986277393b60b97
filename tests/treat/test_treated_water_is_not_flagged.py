"""What a treatment does by nature is not an error of the record: the checks hold none of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.checks.run import run_all
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import samples_from_wide
from pipeline.treat.processes.treatments import treat
from schemas.columns import WIDE_COLUMNS

RAW = pd.DataFrame(
    [
        {"calcium_mg_l": 98.0, "magnesium_mg_l": 17.0, "sodium_mg_l": 25.0, "potassium_mg_l": 3.0,
         "alkalinity_mg_l_caco3": 260.0, "chloride_mg_l": 42.0, "sulfate_mg_l": 55.0, "nitrate_mg_l": 14.0,
         "total_hardness_mg_l_caco3": 314.7, "conductivity_us_cm_25c": 690.0, "ph": 7.3, "temperature_c": 15.0},
        {"calcium_mg_l": 62.0, "magnesium_mg_l": 9.0, "sodium_mg_l": 12.0, "potassium_mg_l": 2.0,
         "alkalinity_mg_l_caco3": 170.0, "chloride_mg_l": 21.0, "sulfate_mg_l": 22.0, "nitrate_mg_l": 8.0,
         "total_hardness_mg_l_caco3": 191.9, "conductivity_us_cm_25c": 410.0, "ph": 7.6, "temperature_c": 15.0},
    ]
)  # fmt: skip
CASES = [
    ("softener", "treated", {"bypass": 0.2}),
    ("softener", "treated", {}),
    ("decarboniser", "treated", {"bypass": 0.25}),
    ("decarboniser", "treated", {"bypass": 0.25, "exhausted": 0.4}),
    ("buffered decarboniser", "treated", {"bypass": 0.2}),
    ("magnesium exchanger", "treated", {}),
    ("reverse osmosis", "treated", {"bypass": 0.15}),
    ("reverse osmosis", "permeate", {}),
    ("carbon", "treated", {}),
    ("calcite contact", "treated", {}),
    ("resin bag", "treated", {}),
    ("tank cartridge", "treated", {}),
    ("jug", "treated", {"hydrogen_share": 0.8}),
]


@pytest.mark.common_practice
def test_no_treated_sample_is_held() -> None:
    random = np.random.default_rng(11)  # two readings of one water are never the same to the last digit
    rows = []
    for number, (name, stage, settings) in enumerate(CASES):
        for sides, at in ((RAW, "raw"), (treat(RAW, name, settings), stage)):
            place = {"stage": at, "treatment": name if at != "raw" else "", "client": "A", "collected_at": "2025-03-12"}
            values = sides[[column for column in WIDE_COLUMNS if column in sides]]
            numbered = (values * random.uniform(0.995, 1.005, values.shape)).round(2).assign(**place)
            rows.append(numbered.assign(site=[f"{number}-{row}" for row in range(len(RAW))]))
    frame = pd.concat(rows, ignore_index=True).dropna(axis="columns", how="all")
    frame = frame.assign(file_sha256="a", line=frame.index + 1)
    frame["collected_at"] = pd.to_datetime(frame["collected_at"])

    checked = run_all(with_derived(samples_from_wide(frame)), Limits(), lambda _: None)

    held = checked.findings[checked.findings["severity"] != "note"]
    named = held.assign(of=held["sample_id"].map(dict(zip(frame.index.astype(str), frame["treatment"], strict=True))))
    assert named.empty, named[["of", "check_id", "message"]].to_string()
