"""A small, seeded measurement of how well planted mistakes are found and named; the full one is ``run.py``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import noise
import numpy as np
import plant
import pytest
import run
import score
import waters
import whole_files
from files import imported

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd


@pytest.mark.source("PHREEQC3")
def test_the_waters_carry_as_many_charges_of_either_sign() -> None:
    """The alkalinity is what PHREEQC needs to balance the ions: nothing of it is ours."""
    true = waters.draw(60, np.random.default_rng(3))
    millimoles = waters.millimoles(true)

    cations = 2 * (millimoles["calcium"] + millimoles["magnesium"]) + millimoles["sodium"] + millimoles["potassium"]
    strong = millimoles["chloride"] + 2 * millimoles["sulfate"] + millimoles["nitrate"]
    alkalinity = true["alkalinity"] / 50.0435  # mg of CaCO3 in a milliequivalent
    assert np.abs(cations - strong - alkalinity).max() < 2e-3


@pytest.mark.source("WHO2011")
def test_the_waters_run_from_very_soft_to_very_hard() -> None:
    """The published classes end at 60 and begin their last at 180 mg/L as CaCO3."""
    hardness = waters.draw(200, np.random.default_rng(4))["total_hardness"]

    assert (hardness < 60).mean() > 0.1
    assert (hardness > 180).mean() > 0.3
    assert hardness.quantile(0.99) < 1200


def test_a_planting_changes_only_its_own_record() -> None:
    before, after, plantings = run.records(120, 7)

    moved = ((before.values() != after.values()) & ~(before.values().isna() & after.values().isna())).any(axis=1)
    partners = {
        int(before.about["partner"].iloc[at]) for at, entry in plantings.items() if entry.mistake == "swapped-samples"
    }
    assert set(np.flatnonzero(moved)) <= set(plantings) | partners
    assert len({entry.mistake for entry in plantings.values()}) > 6


@pytest.mark.source("IUPAC2021")
def test_bicarbonate_as_calcium_carbonate_is_planted_as_0_8202_of_itself() -> None:
    """100.0869 / (2 · 61.0168) = 0.8202."""
    before, after, _ = run.records(60, 9)
    rows = np.flatnonzero(before.number["bicarbonate"].notna())
    entry = next(one for one in plant.PLANTINGS if one.name == "wrong-basis bicarbonate as CaCO3")

    entry.act(before, rows, np.random.default_rng(0))

    ratio = before.number["bicarbonate"].iloc[rows] / after.number["bicarbonate"].iloc[rows]
    assert ratio.median() == pytest.approx(0.8202, rel=0.01)


@pytest.mark.pinned
def test_most_visible_mistakes_are_found_and_named(judged: pd.DataFrame) -> None:
    """Below what the full measurement shows (88 % held; see README.md), as a draw of about a hundred may be."""
    shares = score.overall(judged).loc["all"]

    assert shares["visible"] > 60
    assert shares["held_percent"] > 75
    assert shares["held_or_named_percent"] > 88
    assert shares["first_percent"] > 80
    assert shares["three_percent"] > 88


@pytest.mark.pinned
def test_clean_records_are_left_alone(judged: pd.DataFrame) -> None:
    clean = judged[(judged["planting"] == "") & (judged["state"] == "")]

    assert len(clean) > 80
    assert clean["detected"].mean() < 0.03
    assert score.loud(clean).mean() < 0.05
    sodium = clean[clean["water"].isin(["softened", "soda"])]
    assert len(sodium) > 10
    assert not (score.loud(sodium) & sodium["detected"]).any()


@pytest.mark.pinned
def test_a_source_that_truly_changed_is_news_and_not_held(judged: pd.DataFrame) -> None:
    changed = judged[judged["state"] == "source-change"]

    assert len(changed) > 1
    assert not changed["detected"].any()


@pytest.mark.pinned
def test_probabilities_mean_what_they_say(judged: pd.DataFrame) -> None:
    assert score.calibration_error(score.reliability(judged)) < 0.25


@pytest.mark.slow
@pytest.mark.pinned
def test_one_mistake_in_a_whole_file_is_told_once() -> None:
    files = whole_files.measure(24, 3)

    planted = files[files["planting"].str.startswith(("wrong-unit conductivity", "swapped-analytes"))]
    assert len(planted) > 4
    assert planted["right"].mean() > 0.9
    assert (planted["patterns"] <= 1).all()
    assert not files.loc[files["planting"] == "", "patterns"].any()


@pytest.mark.slow
def test_the_long_way_through_files_says_the_same(tmp_path: Path) -> None:
    """What the table holds, and which cause comes first, does not depend on how the record came in."""
    before, after, plantings = run.records(48, 11)
    table = noise.sample_table(after)
    subjects = np.flatnonzero((table.about["role"] == "subject").to_numpy())
    seen = score.moved(before, after, noise.sample_table(before), subjects)
    direct = score.judge(score.of_table(table), table.about, plantings, seen)

    samples, found = imported(after, tmp_path)

    received = table.measured.set_axis(table.about["label"])
    shared = [name for name in received if received[name].notna().any()]
    assert sorted(samples.index) == sorted(received.index)
    assert np.allclose(received[shared], samples.loc[received.index, shared], rtol=1e-5, equal_nan=True)
    assert {"raw", "treated"} == set(samples["stage"])
    judged = score.judge(found, table.about, plantings, seen)
    assert (judged["named"] == direct["named"]).mean() > 0.9
    assert (judged["detected"] == direct["detected"]).mean() > 0.95
