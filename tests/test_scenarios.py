"""Six worked cases of practice, typed as people type them, with the figures computed by hand.

The arithmetic uses 1 °dH = 17.848 mg/L CaCO3, 1 °f = 10, 1 gpg = 17.118, and 61.017 g/mol for HCO3.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd
import pytest

from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DEGREE_DH = 17.848


class Answer(NamedTuple):
    """What came out of one scenario: samples by label, findings, entries."""

    samples: pd.DataFrame
    findings: pd.DataFrame
    entries: dict[str, int]

    def checks(self, label: str, severity: str) -> set[str]:
        """Name the checks that gave the sample a finding of this severity."""
        hit = (self.findings["label"] == label) & (self.findings["severity"] == severity)
        return set(self.findings.loc[hit, "check_id"])

    def said(self, label: str, check_id: str) -> str:
        """Join the messages of one check about a sample."""
        hit = (self.findings["label"] == label) & (self.findings["check_id"] == check_id)
        return " ".join(self.findings.loc[hit, "message"])


@pytest.fixture(scope="module")
def answer(scenario_output: Callable[[str], Path]) -> Callable[[str], Answer]:
    """Give the function that reads what the main job wrote about a scenario's folder."""

    def read(name: str) -> Answer:
        (folder,) = (path.parent for path in scenario_output(name).glob("*/summary.json"))
        samples = pd.read_csv(folder / "samples.csv").set_index("label")
        findings = pd.read_csv(folder / "findings.csv")
        return Answer(samples, findings, json.loads((folder / "summary.json").read_text("utf-8"))["entries"])

    return read


@pytest.mark.parametrize("name", ["P1", "P2", "P3", "P4", "P5", "P6"])
def test_nothing_a_person_typed_is_lost(answer: Callable[[str], Answer], name: str) -> None:
    entries = answer(name).entries

    assert entries["read"] == entries["accepted"] > 0
    assert entries["set_aside"] == 0


@pytest.mark.common_practice
def test_p1_a_decarboniser_at_work_is_believed(answer: Callable[[str], Answer]) -> None:
    """Hardness and alkalinity fall by the same 7 °dH: that is what a decarboniser does."""
    got = answer("P1")
    raw, treated = got.samples.loc["P1-roh"], got.samples.loc["P1-filter"]

    assert got.findings["severity"].isin(OPEN).sum() == 0
    assert raw["total_hardness_mg_l_caco3"] == pytest.approx(14 * DEGREE_DH, rel=1e-4)  # 249.9
    assert treated["alkalinity_mg_l_caco3"] == pytest.approx(4 * DEGREE_DH, rel=1e-4)  # 71.4
    fall = (
        raw[["total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]]
        - treated[["total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]]
    )
    assert fall.to_numpy(dtype=float) == pytest.approx([7 * DEGREE_DH] * 2, rel=1e-4)  # 124.9
    assert (raw["ph"], treated["ph"]) == (7.4, 6.6)


@pytest.mark.common_practice
def test_p2_conductivity_and_tds_exchanged_are_held_and_the_swap_named(answer: Callable[[str], Answer]) -> None:
    """206/154.1 = 1.34 is below what hardness alone conducts, and TDS/EC is 2.00."""
    got = answer("P2")
    sample = got.samples.loc["P2-tap"]

    assert sample["total_hardness_mg_l_caco3"] == pytest.approx(9 * 17.118, rel=1e-4)  # 154.1
    assert sample["verdict"] == "hold"
    assert {"conductivity-vs-hardness", "tds-vs-conductivity"} <= got.checks("P2-tap", "hold")
    assert "ratio 1.34" in got.said("P2-tap", "conductivity-vs-hardness")
    assert "hardness in °f typed as gpg (÷ 1.712)" in got.said("P2-tap", "conductivity-vs-hardness")
    assert "°dH" not in got.said("P2-tap", "conductivity-vs-hardness")  # the sheet is in grains per gallon
    assert "2.00" in got.said("P2-tap", "tds-vs-conductivity")
    assert "swapped" in got.said("P2-tap", "tds-vs-conductivity")
    assert "date-form" in got.checks("P2-tap", "note")
    assert sample["collected_at"].startswith("2025-07-08")  # the country writes the month first
    assert (sample["conductivity_us_cm_25c"], sample["tds_mg_l"]) == (206, 412)  # nothing is swapped


@pytest.mark.common_practice
def test_p3_exchanged_bottles_and_a_unit_are_two_separate_questions(answer: Callable[[str], Answer]) -> None:
    got = answer("P3")

    assert set(got.samples["verdict"]) == {"hold"}
    for label in ("P3-prima", "P3-dopo"):
        assert "swapped" in got.said(label, "treatment-pattern")
    assert "680" in got.said("P3-dopo", "conductivity-unit")  # 0.68 mS/cm
    # Nothing was exchanged by the tool: 12 °f stays on "prima", 32 °f on "dopo".
    assert got.samples.loc["P3-prima", "total_hardness_mg_l_caco3"] == pytest.approx(120)
    assert got.samples.loc["P3-dopo", "total_hardness_mg_l_caco3"] == pytest.approx(320)


@pytest.mark.common_practice
def test_p4_a_softened_house_is_a_note_with_the_sodium_it_needs(answer: Callable[[str], Answer]) -> None:
    """(15 × 17.848 − 17.848)/2.177 = 115 mg/L sodium at least, as 1 mg/L Na is 2.177 mg/L CaCO3."""
    got = answer("P4")
    sample = got.samples.loc["P4-tap"]

    assert sample["verdict"] == "note"
    assert sample["alkalinity_mg_l_caco3"] == pytest.approx(15 * DEGREE_DH, rel=1e-4)  # 267.7
    assert "total_hardness_mg_l_caco3" not in sample.dropna().index  # below one drop is not zero
    assert "115 mg/L sodium" in got.said("P4-tap", "alkalinity-over-hardness")


@pytest.mark.common_practice
def test_p5_bicarbonate_given_as_calcium_carbonate_is_held_and_the_field_count_agrees(
    answer: Callable[[str], Answer],
) -> None:
    """5.20 mmol/L × 50.04 = 260.2 mg/L CaCO3; 7 drops × 17.848 × 10/5 = 249.9."""
    got = answer("P5")
    sample = got.samples.loc["P5"]

    assert sample["conductivity_us_cm_25c"] == pytest.approx(677)  # 67.7 mS/m
    assert sample["alkalinity_mg_l_caco3"] == pytest.approx(260.2, abs=0.1)
    assert sample["verdict"] == "hold"
    assert "alkalinity-forms" in got.checks("P5", "hold")
    assert "1.219" in got.said("P5", "alkalinity-forms")
    assert "249.87" in got.said("P5", "several-readings")
    assert not got.checks("P5", "hold") & {"readings-disagree", "conductivity-unit", "conductivity-from-ions"}


@pytest.mark.common_practice
def test_p6_the_first_drop_left_out_is_named_and_the_finer_count_stands(answer: Callable[[str], Answer]) -> None:
    """One drop counted from the second is an interval of 17.8 to 35.7; 5 drops on 40 mL are 22.3."""
    got = answer("P6")

    assert got.samples.loc["P6-40", "total_hardness_mg_l_caco3"] == pytest.approx(5 * DEGREE_DH / 4, rel=1e-4)
    assert got.samples.loc["P6", "verdict"] == "note"
    assert {"first-drop", "drop-resolution"} <= got.checks("P6", "note")
    assert "17.8-35.7" in got.said("P6", "first-drop")
    assert set(got.findings["severity"]) == {"note"}
