"""What the chemistry checks cost: little, and no more when everything is wrong."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import samples_from_wide

if TYPE_CHECKING:
    from pipeline.normalise.sample_table import SampleTable

_SUBJECTS: Final = (
    "alkalinity",
    "conductivity",
    "dissolved_solids",
    "hardness",
    "ion_balance",
    "physical",
    "source",
    "temperature",
)
_IDS: Final = sorted(
    name for name, entry in CHECKS.items() if entry.function.__module__.rpartition(".")[2] in _SUBJECTS
)
_SAMPLES: Final = 20_000
_WATER: Final = {
    "temperature_c": 12.0,
    "ph": 7.4,
    "conductivity_us_cm_25c": 603.0,
    "tds_mg_l": 345.0,
    "total_hardness_mg_l_caco3": 249.2,
    "alkalinity_mg_l_caco3": 205.0,
    "phenolphthalein_alkalinity_mg_l_caco3": 0.0,
    "calcium_mg_l": 80.0,
    "magnesium_mg_l": 12.0,
    "sodium_mg_l": 20.0,
    "bicarbonate_mg_l": 250.0,
    "chloride_mg_l": 36.0,
    "sulfate_mg_l": 40.0,
    "free_chlorine_mg_l": 0.2,
    "total_chlorine_mg_l": 0.25,
}
_SPOILT: Final = {
    "ph": 74.0,
    "conductivity_us_cm_25c": 60.3,
    "tds_mg_l": 120.6,
    "total_hardness_mg_l_caco3": 83.0,
    "phenolphthalein_alkalinity_mg_l_caco3": 900.0,
    "bicarbonate_mg_l": 125.0,
    "chloride_mg_l": 720.0,
    "total_chlorine_mg_l": 0.0,
}


def _table(water: dict[str, float]) -> SampleTable:
    scale = np.random.default_rng(1).uniform(0.9, 1.1, _SAMPLES)
    frame = pd.DataFrame({name: value * scale for name, value in water.items()})
    return with_derived(samples_from_wide(frame.assign(stage="raw", file_sha256="one")))


@pytest.fixture(scope="module")
def sound() -> SampleTable:
    """Give many samples without a fault."""
    return _table(_WATER)


@pytest.fixture(scope="module")
def spoilt() -> SampleTable:
    """Give as many samples with a fault each."""
    return _table(_WATER | _SPOILT)


def _cost_s(check_id: str, samples: SampleTable) -> float:
    """Best processor time of three runs [s]."""
    costs = []
    for _ in range(3):
        start = time.process_time()
        CHECKS[check_id].function(samples, Limits())
        costs.append(time.process_time() - start)
    return min(costs)


@pytest.mark.parametrize("check_id", _IDS)
def test_bad_records_cost_no_more(check_id: str, sound: SampleTable, spoilt: SampleTable) -> None:
    """All faulty costs at most three times all sound, plus what a clock tick may hide."""
    assert _cost_s(check_id, spoilt) <= 3.0 * _cost_s(check_id, sound) + 0.01
