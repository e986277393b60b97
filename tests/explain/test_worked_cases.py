"""Worked cases of practice: the cause that is named first, with its numbers.

1 °dH = 17.848 mg/L CaCO3, 1 °f = 10, 1 gpg = 17.118; HCO3 = 1.2193 × alkalinity as CaCO3 (61.017/50.043).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest

from pipeline import prove
from pipeline.checks.limits import Limits
from pipeline.checks.run import run_all
from pipeline.explain.rank import explain
from pipeline.intake import run
from pipeline.normalise.sample_table import samples_from_wide
from pipeline.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.checks.run import Checked
    from pipeline.explain.tables import Explained
    from pipeline.normalise.sample_table import SampleTable

FOLDER = Path(__file__).parents[1] / "scenarios"
LAB = {"ca": 98.0, "mg": 17.0, "na": 21.0, "k": 3.0, "cl": 38.0, "so4": 55.0, "no3": 14.0}


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> tuple[Explained, pd.Series]:
    """Read the files of all scenarios, check and explain their samples; give the explanations and the labels."""
    kept: dict[str, Any] = {}

    def keeping(samples: SampleTable, limits: Limits, *given: object) -> Checked:
        kept["samples"], kept["checked"] = samples, run_all(samples, limits, *given)  # type: ignore[arg-type] -- whatever prove gives
        checked: Checked = kept["checked"]
        return checked

    out = tmp_path_factory.mktemp("explain")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(prove, "run_all", keeping)
        run([FOLDER], Settings(out=out, store=out / "kettlestone.duckdb"))
    samples, checked = kept["samples"], kept["checked"]
    return explain(samples, checked.findings, Limits()).tables(), samples.about["label"]


def of(cases: tuple[Explained, pd.Series], label: str) -> pd.DataFrame:
    """Take the explanations of one sample, by its label."""
    found, labels = cases
    rows = found.explanations
    return rows[rows["sample_id"].map(labels) == label]


def first(found: Explained, sample_id: str) -> pd.Series:
    """Take the first explanation of a sample."""
    rows = found.explanations[found.explanations["sample_id"] == sample_id]
    row: pd.Series = rows.iloc[0]
    assert row["rank"] == 1
    return row


@pytest.mark.common_practice
def test_p1_a_decarboniser_at_work_needs_no_explanation(cases: tuple[Explained, pd.Series]) -> None:
    found, labels = cases
    asked = set(found.questions["sample_id"].map(labels))

    assert [of(cases, label)["mistake"].tolist() for label in ("P1-roh", "P1-filter")] == [["no-mistake"]] * 2
    assert not asked & {"P1-roh", "P1-filter"}


@pytest.mark.common_practice
def test_p2_conductivity_and_dissolved_solids_were_exchanged(cases: tuple[Explained, pd.Series]) -> None:
    row = of(cases, "P2-tap").iloc[0]

    assert (row["mistake"], row["analyte"], row["other_analyte"]) == ("swapped-analytes", "conductivity", "tds")
    assert (row["value_from"], row["value_to"]) == (206.0, 412.0)
    assert row["probability"] > 0.9
    assert "206 to 412" in row["evidence"]


@pytest.mark.common_practice
def test_p3_the_unit_of_one_reading_and_the_labels_of_the_pair_are_two_answers(
    cases: tuple[Explained, pd.Series],
) -> None:
    """0.68 mS/cm = 680 µS/cm; exchanged, hardness and alkalinity both fall by 200 mg/L: a decarboniser does that."""
    behind, before = of(cases, "P3-dopo"), of(cases, "P3-prima")

    assert behind["mistake"].tolist()[:2] == ["wrong-unit", "swapped-samples"]
    assert (behind["detail"].iloc[0], behind["value_to"].iloc[0]) == ("mS/cm", pytest.approx(680.0))
    assert before["mistake"].iloc[0] == "swapped-samples"
    assert "total hardness 120 before and 320 behind" in before["evidence"].iloc[0]
    assert "decarboniser" in before["evidence"].iloc[0]


@pytest.mark.common_practice
def test_p4_a_softened_house_is_a_state_and_not_a_mistake(cases: tuple[Explained, pd.Series]) -> None:
    """(267.7 − 17.8)/2.177 = 115 mg/L sodium at least."""
    row = of(cases, "P4-tap").iloc[0]

    assert row["mistake"] == "softened-water"
    assert "sodium of at least 115 mg/L" in row["evidence"]


@pytest.mark.common_practice
def test_p5_bicarbonate_was_given_as_calcium_carbonate(cases: tuple[Explained, pd.Series]) -> None:
    """5.20 mmol/L × 61.017 = 317.3 mg/L HCO3, so 260 is as CaCO3; as HCO3 the ion balance would be +4.1 %."""
    rows = of(cases, "P5")

    assert tuple(rows.iloc[0][["mistake", "analyte", "detail"]]) == ("wrong-basis", "bicarbonate", "as CaCO3")
    assert rows["value_to"].iloc[0] == pytest.approx(317.0, abs=0.5)
    other = rows[(rows["analyte"] == "alkalinity") & (rows["mistake"] == "wrong-basis")]
    assert "ion balance −2.4 % to +4.1 %" in other["evidence"].iloc[0]
    assert other["probability"].iloc[0] < rows["probability"].iloc[0]


@pytest.mark.common_practice
def test_p6_the_first_drop_was_not_counted(cases: tuple[Explained, pd.Series]) -> None:
    """One drop from the second on is 17.8 to 35.7; five drops on 40 mL are 5 × 17.848/4 = 22.3 mg/L."""
    row = of(cases, "P6").iloc[0]

    assert (row["mistake"], "first drop not counted" in row["detail"]) == ("miscount", True)
    assert row["value_to"] == pytest.approx(2 * 17.848, abs=0.1)
    assert "against 22.3 of the other reading" in row["evidence"]
    assert of(cases, "P6-40")["mistake"].tolist() == ["no-mistake"]


@pytest.mark.common_practice
def test_w2_a_forgotten_volume_is_named_with_the_value_it_makes(
    counted: Callable[..., SampleTable], explained: Callable[..., Explained]
) -> None:
    """6 drops × 17.848 × 10/5 = 214.2; 107 = 6 × 17.848 was typed. 437 µS/cm over 107 is 4.1, over 214 it is 2.04."""
    kit = {"sample_id": "w2", "analyte": "total_hardness"}
    about = pd.DataFrame({"client": ["c"]}, index=pd.Index(["w2"], name="sample_id"))
    readings = [
        {**kit, "drops": 6.0, "degree": 17.848, "nominal": 10.0, "used": 5.0},
        {**kit, "value": 107.0, "uncertainty": 16.0, "method": "typed", "form": "typed", "raw_text": "107"},
        {"sample_id": "w2", "analyte": "conductivity", "value": 437.0, "raw_text": "437"},
    ]

    row = first(explained(counted(readings, about)), "w2")

    assert (row["mistake"], row["analyte"]) == ("volume-not-applied", "total_hardness")
    assert row["detail"] == "the recorded volume was not applied"
    assert (row["value_from"], row["value_to"]) == (107.0, 214.0)


@pytest.mark.common_practice
def test_w3_an_analysis_that_balances_is_left_alone(
    waters: Callable[..., SampleTable], explained: Callable[..., Explained]
) -> None:
    """7.280 against 7.638 meq/L: −2.40 % of the sum, within what the methods leave open."""
    found = explained(waters(**LAB, hco3=317.0, ec=720.0))

    assert found.explanations["mistake"].tolist() == ["no-mistake"]


@pytest.mark.common_practice
def test_w3_a_form_converted_twice_is_named_with_both_balances(
    waters: Callable[..., SampleTable], explained: Callable[..., Explained]
) -> None:
    """317 × 1.2193 = 386.5 mg/L makes the balance −9.33 %; 317 makes it −2.40 %."""
    row = first(explained(waters(**LAB, hco3=386.5, ec=700.0)), "0")

    assert (row["mistake"], row["analyte"]) == ("wrong-basis", "bicarbonate")
    assert row["value_to"] == pytest.approx(317.0, abs=0.1)
    assert "ion balance −9.3 % to −2.4 %" in row["evidence"]


@pytest.mark.common_practice
def test_w3_the_form_stands_among_the_causes_where_the_gap_is_small(
    waters: Callable[..., SampleTable], explained: Callable[..., Explained]
) -> None:
    """260 mg/L under HCO3 makes the balance +4.12 %: two and a half standard deviations, too few to be sure."""
    rows = explained(waters(**LAB, hco3=260.0, ec=735.0)).explanations

    named = rows[(rows["mistake"] == "wrong-basis") & (rows["analyte"] == "bicarbonate")]
    assert named["value_to"].iloc[0] == pytest.approx(317.0, abs=0.1)
    assert "ion balance +4.1 % to −2.4 %" in named["evidence"].iloc[0]
    assert "against 735 µS/cm measured" in named["evidence"].iloc[0]


@pytest.mark.common_practice
def test_a_bottle_at_the_wrong_place_has_no_history_there() -> None:
    """Three years of a decarboniser, then bottles exchanged and mS/cm typed as µS/cm: both are named."""
    raw = {"total_hardness_mg_l_caco3": 310.0, "alkalinity_mg_l_caco3": 260.0, "conductivity_us_cm_25c": 680.0}
    treated = {"total_hardness_mg_l_caco3": 120.0, "alkalinity_mg_l_caco3": 70.0, "conductivity_us_cm_25c": 351.0}
    place = {"client": "C", "site": "S", "sampling_point": "tap", "treatment": "decarboniser", "file_sha256": "f" * 64}
    rows = [
        {
            **place,
            **water,
            "stage": stage,
            "label": f"{stage} {year}",
            "collected_at": pd.Timestamp(f"{year}-05-01", tz="UTC"),
        }
        for year in (2021, 2022, 2023, 2024)
        for stage, water in (("raw", raw), ("treated", treated))
    ]
    exchanged = [{**treated}, {**raw, "conductivity_us_cm_25c": 0.68}]
    for row, water in zip(rows[-2:], exchanged, strict=True):
        row.update(water)
    samples = samples_from_wide(pd.DataFrame(rows))
    checked = run_all(samples, Limits(), lambda _: None)

    told = explain(samples, checked.findings, Limits()).tables().explanations
    last = told[told["sample_id"] == samples.about.index[-1]]

    own = last[last["mistake"] != "swapped-samples"].iloc[0]
    assert (own["mistake"], own["analyte"], own["detail"]) == ("wrong-unit", "conductivity", "mS/cm")
    assert last.loc[last["mistake"] == "swapped-samples", "probability"].item() > 0.5


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("typed", "mistake"), [(393.1, "digits-transposed"), (339.1, "no-mistake"), (340.0, "no-mistake")]
)
def test_a_value_typed_beside_its_count_is_arithmetic(
    counted: Callable[..., SampleTable], explained: Callable[..., Explained], typed: float, mistake: str
) -> None:
    """19 drops of 17.848 mg/L are 339.1: 393.1 has two digits exchanged, though a kit may well be off by as much."""
    kit = {"sample_id": "c", "analyte": "total_hardness"}
    about = pd.DataFrame({"client": ["c"]}, index=pd.Index(["c"], name="sample_id"))
    readings = [
        {**kit, "drops": 19.0, "degree": 17.848, "nominal": 10.0, "used": 10.0},
        {**kit, "value": typed, "uncertainty": 50.0, "method": "typed", "form": "typed", "raw_text": str(typed)},
    ]

    row = first(explained(counted(readings, about)), "c")

    assert row["mistake"] == mistake
    assert row["probability"] > 0.9


@pytest.mark.common_practice
def test_one_vial_with_twice_the_water_is_wrong_in_both_tests(
    counted: Callable[..., SampleTable], explained: Callable[..., Explained]
) -> None:
    """33 and 26 drops of 1 °dH, 589 and 464 mg/L, beside 636 µS/cm: too much for any water, half of it is not."""
    kit = {"sample_id": "v", "degree": 17.848, "nominal": 10.0, "used": 10.0}
    about = pd.DataFrame({"client": ["c"]}, index=pd.Index(["v"], name="sample_id"))
    readings = [
        {**kit, "analyte": "total_hardness", "drops": 33.0},
        {**kit, "analyte": "alkalinity", "drops": 26.0},
        {"sample_id": "v", "analyte": "conductivity", "value": 636.0, "raw_text": "636"},
    ]

    row = first(explained(counted(readings, about)), "v")

    assert (row["mistake"], row["analyte"], row["other_analyte"]) == (
        "volume-not-applied",
        "total_hardness",
        "alkalinity",
    )
    assert row["value_to"] == pytest.approx(33 * 17.848 / 2, rel=1e-3)


@pytest.mark.source("DIN19640")
def test_a_french_kit_taken_for_a_german_one_is_wrong_in_both_titrations(
    waters: Callable[..., SampleTable], explained: Callable[..., Explained]
) -> None:
    """32.7 and 26.9 °f times 17.848 are 583 and 480; as °f they are 327 and 269 mg/L, as on every visit before."""
    visits = {
        "client": "c",
        "site": "s",
        "stage": "raw",
        "collected_at": [f"2025-0{month}-01" for month in range(1, 7)],
    }
    th, alk, ec = [320.0] * 5 + [583.0], [262.0] * 5 + [480.0], [712.0] * 5 + [714.0]

    row = first(explained(waters(**visits, th=th, alk=alk, ec=ec)), "5")

    assert (row["mistake"], row["other_analyte"]) == ("wrong-unit", "alkalinity")
    assert row["value_to"] == pytest.approx(327.0, rel=2e-3)


@pytest.mark.source("APHA2340B")
def test_calcium_typed_in_the_column_of_hardness_is_a_copy(
    waters: Callable[..., SampleTable], explained: Callable[..., Explained]
) -> None:
    """98 mg/L of calcium and 17 of magnesium are 315 mg/L of hardness, not 98."""
    row = first(explained(waters(**LAB, hco3=294.0, th=98.0, ec=665.0)), "0")

    assert (row["mistake"], row["analyte"], row["other_analyte"]) == ("copied-reading", "total_hardness", "calcium")
    assert row["probability"] > 0.5
