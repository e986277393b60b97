"""Stand-ins: hardness from its ions, alkalinity from bicarbonate, and how sure they are."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import SampleTable, samples_from_wide


def filled(**columns: float | str) -> SampleTable:
    named = {name.replace("__", "."): [value] for name, value in columns.items()}
    return with_derived(samples_from_wide(pd.DataFrame(named)))


def of(frame: pd.DataFrame, name: str) -> float:
    return float(frame[name].iloc[0])


@pytest.mark.source("JCGM100")
def test_a_stand_in_is_as_uncertain_as_its_sources_together() -> None:
    """TH = 2.4973 · 80 + 4.1180 · 12 = 249.2; U = √((2.4973 · 4)² + (4.1180 · 1)²) = 10.80."""
    samples = filled(calcium_mg_l=80.0, calcium_mg_l__u=4.0, magnesium_mg_l=12.0, magnesium_mg_l__u=1.0)

    assert of(samples.filled, "total_hardness_mg_l_caco3") == pytest.approx(249.2, abs=0.05)
    assert of(samples.uncertainty, "total_hardness_mg_l_caco3") == pytest.approx(10.80, abs=0.01)


@pytest.mark.source("JCGM100")
def test_an_unknown_uncertainty_stays_unknown() -> None:
    """Magnesium states none; the sum of the two must not look surer than calcium alone."""
    samples = filled(calcium_mg_l=80.0, calcium_mg_l__u=4.0, magnesium_mg_l=12.0)

    assert np.isnan(of(samples.uncertainty, "total_hardness_mg_l_caco3"))
    assert of(samples.uncertainty, "calcium_hardness_mg_l_caco3") == pytest.approx(9.99, abs=0.01)


@pytest.mark.source("APHA2320")
def test_an_ion_that_was_not_read_takes_nothing_away() -> None:
    """No carbonate below pH 8.3: ALK = 0.8202 · 250 = 205.0, U = 0.8202 · 7 = 5.7."""
    samples = filled(bicarbonate_mg_l=250.0, bicarbonate_mg_l__u=7.0)

    assert of(samples.filled, "alkalinity_mg_l_caco3") == pytest.approx(205.0, abs=0.1)
    assert of(samples.uncertainty, "alkalinity_mg_l_caco3") == pytest.approx(5.7, abs=0.05)
    assert of(samples.low, "alkalinity_mg_l_caco3") == pytest.approx(199.3, abs=0.1)
    assert of(samples.high, "alkalinity_mg_l_caco3") == pytest.approx(210.8, abs=0.1)


def test_what_was_read_is_never_replaced() -> None:
    """The ions make 249 mg/L; the titration says 240 and stands."""
    samples = filled(total_hardness_mg_l_caco3=240.0, calcium_mg_l=80.0, magnesium_mg_l=12.0)

    assert of(samples.filled, "total_hardness_mg_l_caco3") == 240.0
    assert samples.method["total_hardness_mg_l_caco3"].iloc[0] == "laboratory"
    assert samples.method["calcium_hardness_mg_l_caco3"].iloc[0] == "derived"
