"""The one judgement: what it holds, whose causes it looks for, and that it leaves its samples alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.normalise.sample_table import samples_from_wide
from pipeline.prove import prove
from pipeline.stages import Silent

if TYPE_CHECKING:
    from pipeline.normalise.sample_table import SampleTable

# A calcium bicarbonate water as a laboratory gives it: cations 5.99, anions 5.99 meq/L, conductivity that of its ions.
WATER = {
    "calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "potassium_mg_l": 5.5, "bicarbonate_mg_l": 250.0,
    "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0, "nitrate_mg_l": 10.0, "conductivity_us_cm_25c": 600.0, "ph": 7.4,
}  # fmt: skip
EXCHANGED = {"sodium_mg_l": 5.5, "potassium_mg_l": 20.0}  # within every single limit, but no water has it


@pytest.fixture
def samples() -> SampleTable:
    rows = [{"file_sha256": "f" * 64, "label": f"W{n}", **WATER, **change} for n, change in enumerate(({}, EXCHANGED))]
    return samples_from_wide(pd.DataFrame(rows))


@pytest.mark.source("JCGM106")
def test_a_record_that_a_mistake_explains_far_better_is_held_with_its_cause(samples: SampleTable) -> None:
    proof = prove(samples, Limits(), lambda _: np.array([True, True]), Silent())

    assert proof.checked.verdict.iloc[1] == "hold"
    assert proof.explained is not None
    assert proof.causes is not None
    assert set(proof.explained.explanations["sample_id"]) == set(samples.about.index)
    assert set(proof.causes.explanations["sample_id"]) == {samples.about.index[1]}


def test_causes_are_looked_for_in_chosen_samples_only(samples: SampleTable) -> None:
    nobody = prove(samples, Limits(), lambda _: np.array([False, False]), Silent())
    first = prove(samples, Limits(), lambda _: np.array([True, False]), Silent())

    assert (nobody.explained, nobody.causes) == (None, None)
    assert first.explained is not None
    assert set(first.explained.explanations["sample_id"]) == {samples.about.index[0]}
    assert first.checked.verdict.iloc[1] == nobody.checked.verdict.iloc[1]


def test_the_samples_stay_as_they_were(samples: SampleTable) -> None:
    before = samples.measured.copy()

    prove(samples, Limits(), lambda _: np.array([True, True]), Silent())

    pd.testing.assert_frame_equal(samples.measured, before)
