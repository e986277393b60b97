"""A sample on hold that nothing can acquit is not weighed further, and nobody can tell that from what comes out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.explain import conviction
from pipeline.normalise.sample_table import samples_from_wide
from pipeline.prove import prove
from pipeline.stages import Silent

if TYPE_CHECKING:
    from pipeline.normalise.sample_table import SampleTable
    from pipeline.prove import Proof

# A calcium bicarbonate water as a laboratory gives it: cations 5.99, anions 5.99 meq/L, conductivity that of its ions.
WATER = {
    "calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "potassium_mg_l": 5.5, "bicarbonate_mg_l": 250.0,
    "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0, "nitrate_mg_l": 10.0, "conductivity_us_cm_25c": 600.0, "ph": 7.4,
}  # fmt: skip


@pytest.fixture(scope="module")
def samples() -> SampleTable:
    """Draw records of which one ion each is more or less wrong: from hardly to by a factor of ten."""
    random = np.random.default_rng(12)
    rows = pd.DataFrame([WATER] * 160)
    spoiled = rows.columns[random.integers(0, 9, len(rows))]
    for place, column in enumerate(spoiled):
        rows.loc[place, column] *= np.exp(random.normal(0.0, 0.8))
    rows["label"] = [f"S{place}" for place in range(len(rows))]
    return samples_from_wide(rows.assign(sample_id=rows["label"], file_sha256="f" * 64, client="c", site=rows["label"]))


@pytest.fixture(scope="module")
def patient(samples: SampleTable) -> Proof:
    return prove(samples, Limits(), lambda done: np.arange(len(done.verdict)) % 3 == 0, Silent())


def test_verdicts_findings_and_causes_are_those_of_weighing_all(
    samples: SampleTable, patient: Proof, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(conviction, "WORTHWHILE", 1)

    hasty = prove(samples, Limits(), lambda done: np.arange(len(done.verdict)) % 3 == 0, Silent())

    pd.testing.assert_frame_equal(hasty.checked.findings, patient.checked.findings)
    pd.testing.assert_series_equal(hasty.checked.verdict, patient.checked.verdict)
    assert hasty.causes is not None
    assert patient.causes is not None
    for table in ("explanations", "relations", "questions", "patterns"):
        pd.testing.assert_frame_equal(getattr(hasty.causes, table), getattr(patient.causes, table))


def test_nobody_is_convicted_whom_the_weighing_acquits(
    samples: SampleTable, patient: Proof, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The flags hold samples at all, and only such as stay on hold."""
    told: list[np.ndarray] = []
    judge = conviction.beyond_doubt

    def listening(*given: object) -> np.ndarray:
        told.append(judge(*given))  # type: ignore[arg-type]
        return told[-1]

    monkeypatch.setattr(conviction, "WORTHWHILE", 1)
    monkeypatch.setattr("pipeline.prove.beyond_doubt", listening)

    prove(samples, Limits(), lambda done: np.zeros(len(done.verdict), dtype="bool"), Silent())

    assert told[0].sum() > len(samples) // 10
    assert set(patient.checked.verdict[told[0]]) == {"hold"}
