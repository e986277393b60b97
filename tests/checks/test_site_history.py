"""A sample against its site's own past."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check
from pipeline.normalise.sample_table import samples_from_wide

if TYPE_CHECKING:
    from pipeline.normalise.sample_table import SampleTable


def series(hardness: list[float], alkalinity: list[float], **about: str) -> SampleTable:
    """Lay out raw samples of one site, one a month."""
    count = len(hardness)
    days = pd.date_range("2025-01-01", periods=count, freq="MS", tz="UTC").as_unit("us")
    facts = {"client": "K", "site": "A", "stage": "raw", "sampling_point": "", "activity": ""} | about
    frame = pd.DataFrame({"total_hardness_mg_l_caco3": hardness, "alkalinity_mg_l_caco3": alkalinity})
    return samples_from_wide(frame.assign(collected_at=days, **facts))


def found(samples: SampleTable) -> pd.DataFrame:
    return run_check(CHECKS["site-history"], samples, Limits())[0]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("raw_after", "words"), [(300.0, "The treatment may be used up"), (600.0, "another supply or season, no error")]
)
def test_behind_a_treatment_only_a_supply_that_moved_as_well_is_the_cause(raw_after: float, words: str) -> None:
    """A permeate that goes from 10 to 50 mg/L under the same raw water is the membrane, not the season."""
    before, behind = (
        series([300.0] * 5 + [raw_after], [250.0] * 5 + [raw_after * 5 / 6]),
        series([10.0] * 5 + [50.0], [8.0] * 5 + [40.0]),
    )
    frame = pd.concat([side.about.join(side.measured) for side in (before, behind)], ignore_index=True)
    frame["stage"] = ["raw"] * 6 + ["permeate"] * 6

    told = found(samples_from_wide(frame.dropna(axis="columns", how="all"))).set_index("sample_id")["message"]

    assert words in told["11"]
    assert " mg/L as CaCO3, " in told["11"]


@pytest.mark.source("IH1993")
def test_the_distance_is_the_modified_z_score() -> None:
    """Earlier 80, 100, 120, 140, 160: median 120, MAD 20, so 250 lies (250 - 120) / (1.4826 · 20) = 4.38 out."""
    samples = series([80.0, 100.0, 120.0, 140.0, 160.0, 250.0], [100.0] * 6)

    [finding] = found(samples).to_dict("records")

    assert finding["observed"] == pytest.approx((250 - 120) / (1.4826 * 20), rel=1e-3)
    assert (finding["sample_id"], finding["severity"], finding["analyte"]) == ("5", "note", "total_hardness")


def test_one_figure_far_out_alone_is_held() -> None:
    findings = found(series([250.0, 246, 253, 249, 520], [196.0, 200, 198, 194, 197]))

    assert findings["severity"].tolist() == ["hold"]
    assert "Nothing else moved" in findings["message"].item()


@pytest.mark.common_practice
@pytest.mark.parametrize("factor", [0.4, 1.6, 2.5])
def test_a_change_of_supply_is_news_and_never_held(factor: float) -> None:
    findings = found(series([250.0, 246, 253, 249, 250 * factor], [196.0, 200, 198, 194, 197 * factor]))

    assert findings["severity"].tolist() == ["note"]
    assert "another supply" in findings["message"].item()


@pytest.mark.common_practice
def test_a_reading_beside_which_an_ion_moved_has_not_moved_alone() -> None:
    """Hardness twice what it was and so is the calcium: two methods do not make one mistake."""
    alone = series([250.0, 246, 253, 249, 520], [196.0, 200, 198, 194, 197])
    calcium = pd.DataFrame({"calcium_mg_l": [80.0, 79, 81, 80, 165]}, index=alone.about.index)
    beside = replace(alone, measured=alone.measured.assign(calcium_mg_l=calcium["calcium_mg_l"]))

    assert found(alone)["severity"].tolist() == ["hold"]
    assert found(beside)["severity"].tolist() == ["note"]


@pytest.mark.common_practice
@pytest.mark.parametrize("hardness", [[250.0, 246, 253, 249, 5], [5.0, 6, 5, 6, 250]])
def test_a_softener_that_begins_or_ends_is_asked_for_and_not_held(hardness: list[float]) -> None:
    findings = found(series(hardness, [196.0, 200, 198, 194, 197]))

    assert findings["severity"].tolist() == ["note"]
    assert "softener put before this point, or taken off it" in findings["message"].item()


@pytest.mark.source("JCGM106")
def test_what_could_not_have_shown_the_change_does_not_prove_that_it_is_alone() -> None:
    """Conductivity 44 % up, 43/√(2.1²/2 + 4.9²) = 8.4; an alkalinity of one drop, ± 6 mg/L of 9, would not show it."""
    soft = pd.DataFrame({"conductivity_us_cm_25c": [98.0, 97, 99, 98, 141], "alkalinity_mg_l_caco3": [9.0] * 5})
    days = pd.date_range("2025-01-01", periods=5, freq="MS", tz="UTC").as_unit("us")
    facts = {"client": "K", "site": "A", "stage": "raw", "collected_at": days, "conductivity_us_cm_25c.u": 3.0}
    coarse, fine = (
        samples_from_wide(soft.assign(**facts, **{"alkalinity_mg_l_caco3.u": reach})) for reach in (6.0, 0.5)
    )

    assert found(coarse)["severity"].tolist() == ["note"]
    assert found(fine)["severity"].tolist() == ["hold"]


def test_treated_water_is_never_held_for_its_past() -> None:
    findings = found(series([50.0, 51, 49, 50, 240], [196.0, 200, 198, 194, 197], stage="treated"))

    assert findings["severity"].tolist() == ["note"]


def test_two_earlier_samples_are_no_history() -> None:
    findings, evaluated = run_check(CHECKS["site-history"], series([250.0, 251, 900], [196.0] * 3), Limits())

    assert findings.empty
    assert not evaluated.any()


def test_the_own_visit_is_not_its_past() -> None:
    """Four bottles of one moment say nothing of one another's history."""
    samples = series([250.0, 251, 252, 900], [196.0] * 4)
    same = samples.about.assign(collected_at=samples.about["collected_at"].iloc[0])

    _, evaluated = run_check(CHECKS["site-history"], replace(samples, about=same), Limits())

    assert not evaluated.any()


@pytest.mark.parametrize("about", [{"client": "", "site": ""}, {"activity": "standard"}])
def test_samples_without_a_place_and_controls_have_no_history(about: dict[str, str]) -> None:
    _, evaluated = run_check(CHECKS["site-history"], series([250.0, 251, 252, 900], [196.0] * 4, **about), Limits())

    assert not evaluated.any()


def test_the_order_of_the_rows_does_not_matter() -> None:
    samples = series([250.0, 246, 253, 249, 520], [196.0, 200, 198, 194, 197])
    turned = samples.about.index[::-1]
    names = ("about", "measured", "filled", "uncertainty", "low", "high", "method")
    backwards = replace(samples, **{name: getattr(samples, name).loc[turned] for name in names})

    pd.testing.assert_frame_equal(found(samples), found(backwards))


def test_a_hundred_thousand_samples_take_a_second() -> None:
    random = np.random.default_rng(1)
    count = 100_000
    frame = pd.DataFrame(
        {
            "total_hardness_mg_l_caco3": random.normal(250, 10, count),
            "alkalinity_mg_l_caco3": random.normal(200, 10, count),
            "conductivity_us_cm_25c": random.normal(530, 10, count),
            "ph": random.normal(7.4, 0.1, count),
        }
    )
    days = pd.to_datetime(random.integers(0, 3000, count), unit="D", utc=True).as_unit("us")
    sites = pd.Series(random.integers(0, 5000, count)).astype("str")
    samples = samples_from_wide(frame.assign(client="K", site=sites, stage="raw", collected_at=days))

    started = time.perf_counter()
    found(samples)

    assert time.perf_counter() - started < 3.0
