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
LOST = {"sodium_mg_l": 2.0}  # a decimal sign: within every single limit, but no other mistake fits


@pytest.fixture
def samples() -> SampleTable:
    rows = [{"file_sha256": "f" * 64, "label": f"W{n}", **WATER, **change} for n, change in enumerate(({}, LOST))]
    return samples_from_wide(pd.DataFrame(rows))


@pytest.mark.source("JCGM106")
def test_a_record_that_a_mistake_explains_far_better_is_held_with_its_cause(samples: SampleTable) -> None:
    proof = prove(samples, Limits(), lambda _: np.array([True, True]), Silent())

    assert proof.checked.verdict.iloc[1] == "hold"
    assert proof.causes is not None
    assert set(proof.causes.explanations["sample_id"]) == {samples.about.index[1]}


def test_causes_are_told_of_chosen_samples_and_the_verdicts_are_those_of_all(samples: SampleTable) -> None:
    none = np.array([False, False])
    nobody = prove(samples, Limits(), lambda _: none, Silent())
    asked = prove(samples, Limits(), lambda _: none, Silent(), asked=np.array([True, False]))

    assert nobody.causes is None
    assert asked.causes is not None
    assert set(asked.causes.explanations["sample_id"]) == {samples.about.index[0]}
    assert asked.checked.verdict.tolist() == nobody.checked.verdict.tolist()
    assert nobody.checked.verdict.iloc[1] == "hold"


def lake(number: int, seed: int) -> pd.DataFrame:
    """Draw analyses around WATER of which many are a little wrong: some held, some nearly, some not."""
    random = np.random.default_rng(seed)
    rows = pd.DataFrame([WATER] * number)
    for column in rows.columns.drop("ph"):
        rows[column] = (rows[column] * np.exp(random.normal(0.0, 0.05, number))).round(1)
    rows["label"] = [f"S{seed}-{place}" for place in range(number)]
    return rows.assign(sample_id=rows["label"], file_sha256="f" * 64, client="c", site=rows["label"])


@pytest.mark.parametrize(("seed", "part"), [(3, 11), (108, 29)])
def test_a_sample_has_the_same_verdict_alone_in_any_order_and_among_many(seed: int, part: int) -> None:
    """No verdict follows from the portion: all at once, in two, in turn, or beside the samples of another client."""
    rows = lake(40, seed)
    strangers = lake(100, seed + 1).assign(file_sha256="a" * 64, client="d")
    portions = [rows.iloc[:part], rows.iloc[part:]]
    orders = [[rows], portions, [rows.sample(frac=1.0, random_state=seed)], [pd.concat([strangers, rows])]]

    verdicts = []
    for order in orders:
        parts = [samples_from_wide(piece.reset_index(drop=True)) for piece in order]
        proofs = [prove(one, Limits(), lambda done: np.zeros(len(done.verdict), "bool"), Silent()) for one in parts]
        verdicts.append(pd.concat([proof.checked.verdict.astype("str") for proof in proofs]).reindex(rows["sample_id"]))

    assert {"hold", "note"} & set(verdicts[0])
    for other in verdicts[1:]:
        pd.testing.assert_series_equal(other, verdicts[0])


def test_the_samples_stay_as_they_were(samples: SampleTable) -> None:
    before = samples.measured.copy()

    prove(samples, Limits(), lambda _: np.array([True, True]), Silent())

    pd.testing.assert_frame_equal(samples.measured, before)
