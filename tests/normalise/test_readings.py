"""From cells to readings: what is kept, what is set aside, and that nothing is lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schemas.tables import READING_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.normalise.readings import Normalised

    Read = Callable[..., Normalised]

# A kit of one German degree a drop, made for 10 mL.
KIT = {"degree_per_drop": "1", "degree_unit": "°dH", "nominal_ml": "10", "used_ml": "10"}


def drops(analyte: str, count: str, row: int = 0) -> dict[str, object]:
    return {"analyte": analyte, "raw_text": count, "form": "drops", "method": "drops", "row": row}


def problems(found: Normalised) -> list[str]:
    return found.set_aside["problem"].tolist()


@pytest.mark.common_practice
def test_the_drops_of_a_kit_become_hardness_and_alkalinity(read_table: Read) -> None:
    """12 and 8 drops of 1 °dH: 12 · 17.848 = 214.2 and 8 · 17.848 = 142.8 mg/L as CaCO3."""
    found = read_table(drops("total_hardness", "12"), drops("alkalinity", "8"), rows=[KIT]).readings

    assert found["value"].tolist() == pytest.approx([214.2, 142.8], abs=0.1)
    assert found["value_low"].tolist() == pytest.approx([196.3, 124.9], abs=0.1)
    assert found["value_high"].tolist() == pytest.approx([214.2, 142.8], abs=0.1)
    assert found["uncertainty"].tolist() == pytest.approx([27, 20], abs=0.6)
    assert found[["unit", "basis", "method"]].drop_duplicates().to_numpy().tolist() == [["mg/L", "as CaCO3", "drops"]]


@pytest.mark.common_practice
def test_the_volume_counts_and_a_typed_value_stays_its_own_reading(read_table: Read) -> None:
    """6 drops in 5 mL of a 10 mL kit: 6 · 17.848 · 10/5 = 214.2, whatever was typed beside them."""
    typed = {"analyte": "total_hardness", "raw_text": "107", "raw_unit": "mg/L CaCO3", "form": "typed"}
    found = read_table(
        drops("total_hardness", "6"), {**typed, "method": "typed"}, rows=[{**KIT, "used_ml": "5"}]
    ).readings

    assert found["value"].tolist() == pytest.approx([214.2, 107.0], abs=0.1)
    assert found["method"].tolist() == ["drops", "typed"]
    assert found["used_ml"].tolist()[0] == 5.0


def test_a_letter_typed_for_a_digit_of_a_count_is_told(read_table: Read) -> None:
    """A small L read as a one is a notice wherever it stands; the word behind a count is none."""
    found = read_table(drops("total_hardness", "l7"), drops("alkalinity", "12 Tr."), rows=[KIT])

    assert found.readings["drops"].tolist() == [17.0, 12.0]
    assert found.notices[["problem", "raw_text", "detail"]].to_numpy().tolist() == [["number-repaired", "l7", "17"]]


def test_a_colour_at_once_is_below_one_drop(read_table: Read) -> None:
    found = read_table(drops("total_hardness", "0"), rows=[KIT]).readings.iloc[0]

    assert (found["qualifier"], found["limit"]) == ("<", pytest.approx(17.848, abs=1e-3))
    assert np.isnan(found["value"])


@pytest.mark.parametrize(
    ("count", "kit", "problem"),
    [
        ("8.5", KIT, "drops-not-whole"),
        ("-3", KIT, "negative-value"),
        ("8", {}, "kit-undefined"),
        ("8", {"degree_per_drop": "1", "degree_unit": "°dH", "used_ml": "5"}, "kit-undefined"),
        ("8", {**KIT, "degree_unit": "°"}, "kit-undefined"),
        ("many", KIT, "number-unreadable"),
    ],
)
def test_a_count_that_means_nothing_is_set_aside(
    read_table: Read, count: str, kit: dict[str, str], problem: str
) -> None:
    assert problems(read_table(drops("total_hardness", count), rows=[kit])) == [problem]


def test_a_volume_that_nobody_wrote_is_the_kits_and_said_so(read_table: Read) -> None:
    kit = {**KIT, "used_ml": ""}

    found = read_table(drops("total_hardness", "7"), rows=[kit]).readings.iloc[0]

    assert found["value"] == pytest.approx(124.94, abs=0.01)
    assert found["note"] == "sample volume taken as the kit's"


@pytest.mark.source("APHA2320B")
def test_a_burette_reading_is_titrated(read_table: Read) -> None:
    """(12.35 − 0.05) mL · 0.0200 N · 50043.45 / 100 mL = 123.11 mg/L as CaCO3."""
    titrant = {"titrant_normality": "0.0200", "blank_ml": "0.05", "used_ml": "100"}
    cell = {"analyte": "alkalinity", "raw_text": "12.35", "form": "titrant_ml"}

    found = read_table(cell, rows=[titrant])

    assert found.readings["value"].item() == pytest.approx(123.11, abs=0.005)
    assert problems(read_table(cell)) == ["titration-undefined"]


@pytest.mark.source("APHA2340C")
def test_a_mole_of_edta_counts_twice(read_table: Read) -> None:
    """(12.40 − 0.10) mL · 0.0100 mol/L · 100087 / 50 mL = 246.2 mg/L as CaCO3; as eq/L, half of it."""
    cell = {"analyte": "total_hardness", "raw_text": "12.40", "form": "titrant_ml"}
    row = {"blank_ml": "0.10", "used_ml": "50"}

    moles = read_table(cell, rows=[{**row, "titrant_molarity": "0.0100"}]).readings
    equivalents = read_table(cell, rows=[{**row, "titrant_normality": "0.0100"}]).readings

    assert moles["value"].item() == pytest.approx(246.2, abs=0.1)
    assert equivalents["value"].item() == pytest.approx(123.1, abs=0.1)


def test_a_titrant_that_may_be_two_things_is_asked_for(read_table: Read) -> None:
    hardness = {"analyte": "total_hardness", "raw_text": "12.40", "form": "titrant_ml"}
    row = {"used_ml": "50"}

    bare = read_table(hardness, rows=[{**row, "titrant_concentration": "0.01"}])
    acid = read_table({**hardness, "analyte": "alkalinity"}, rows=[{**row, "titrant_molarity": "0.01"}])

    assert problems(bare) == problems(acid) == ["titration-undefined"]
    assert "has no unit" in bare.set_aside["detail"].item()
    assert "eq/L" in acid.set_aside["detail"].item()


@pytest.mark.source("JCGM100")
def test_a_titration_within_the_scatter_of_its_blank_is_below_a_limit(read_table: Read) -> None:
    """U = 2·√2·0.05/√6 = 0.0577 mL; · 0.02 eq/L · 50043 / 50 mL = 1.16 mg/L as CaCO3."""
    cell = {"analyte": "total_hardness", "raw_text": "0.12", "form": "titrant_ml"}
    row = {"titrant_normality": "0.02", "blank_ml": "0.10", "used_ml": "50"}

    found = read_table(cell, rows=[row]).readings

    assert (found["qualifier"].item(), np.isnan(found["value"].item())) == ("<", True)
    assert found["limit"].item() == pytest.approx(1.156, abs=0.001)


def test_a_censored_value_keeps_sign_and_limit(read_table: Read) -> None:
    found = read_table(("nitrate", "<0.5", "mg/L as N"), ("iron", ">2", "mg/L")).readings

    assert found["qualifier"].tolist() == ["<", ">"]
    assert found["value"].isna().all()
    assert found["limit"].tolist() == pytest.approx([2.2134, 2.0], abs=1e-4)
    assert found["value_low"].tolist() == [0.0, 2.0]
    assert found["value_high"].tolist()[0] == pytest.approx(2.2134, abs=1e-4)


def test_a_limit_column_has_its_own_unit(read_table: Read) -> None:
    cell = {"analyte": "iron", "raw_text": "ND", "raw_unit": "mg/L", "limit_text": "20", "limit_unit": "µg/L"}

    found = read_table(cell, non_detect=("ND",))

    assert found.readings["limit"].item() == pytest.approx(0.02)


def test_not_detected_without_a_limit_is_set_aside(read_table: Read) -> None:
    assert problems(read_table(("iron", "n.n.", "mg/L"), non_detect=("n.n.",))) == ["not-detected-without-limit"]


def test_a_sign_in_its_own_column_counts(read_table: Read) -> None:
    cell = {"analyte": "iron", "raw_text": "0.1", "raw_unit": "mg/L", "qualifier_text": "<"}

    assert read_table(cell).readings["qualifier"].item() == "<"


@pytest.mark.source("JCGM100")
def test_a_range_is_its_middle_with_an_uncertainty_that_covers_it(read_table: Read) -> None:
    """12 to 18 °dH is 214.2 to 321.3 mg/L as CaCO3; half width a = 53.54, U = 2·a/√3 = 61.83 [JCGM100, 4.3.7]."""
    found = read_table(("total_hardness", "12–18 °dH", "")).readings

    assert found["value"].item() == pytest.approx(267.7, abs=0.1)
    assert (found["value_low"].item(), found["value_high"].item()) == pytest.approx((214.2, 321.3), abs=0.1)
    assert found["uncertainty"].item() == pytest.approx(61.83, abs=0.02)
    assert found["qualifier"].item() == "~"
    assert "range" in found["note"].item()


def test_the_range_of_a_conductivity_is_brought_to_25_degrees_whole(read_table: Read) -> None:
    found = read_table(("conductivity", "400-500", "µS/cm"), rows=[{"ec_reference": "20 °C"}]).readings

    assert (found["value_low"].item(), found["value_high"].item()) == pytest.approx((446.4, 558.0))


@pytest.mark.common_practice
def test_an_uncertainty_in_the_cell_counts_for_its_reading(read_table: Read) -> None:
    """What a report writes behind "±" is expanded, k = 2; it converts like its value, 1 °f = 10 mg/L as CaCO3."""
    found = read_table(
        ("calcium", "81,2 ± 3,1", "mg/L"), ("total_hardness", "25,5 ± 2 %", "°f"), ("ph", "7,4", "")
    ).readings

    assert found["uncertainty"].tolist()[:2] == pytest.approx([3.1, 5.1])
    assert found["value_low"].tolist()[:2] == pytest.approx([78.1, 249.9])
    assert found["uncertainty"].tolist()[2] == pytest.approx(
        read_table(("ph", "7.4", "")).readings["uncertainty"].item()
    )


def test_the_mark_of_a_footnote_is_kept_with_its_reading(read_table: Read) -> None:
    found = read_table(("calcium", "30²", "mg/L"), ("chloride", "12.3¹", "mg/L"), ("sodium", "9", "mg/L"))

    assert found.readings["value"].tolist() == [30.0, 12.3, 9.0]
    assert found.readings["note"].tolist() == ["footnote mark ²", "footnote mark ¹", ""]
    assert found.notices["problem"].tolist() == ["number-repaired", "number-repaired"]


@pytest.mark.parametrize(
    ("analyte", "text", "unit", "problem"),
    [
        ("calcium", "abc", "mg/L", "number-unreadable"),
        ("calcium", "12-6", "mg/L", "range-not-reading"),
        ("calcium", "<6-12", "mg/L", "range-not-reading"),
        ("calcium", "10³", "mg/L", "number-unreadable"),
        ("calcium", "1.340", "mg/L", "number-ambiguous"),
        ("calcium", "2025-01-02", "mg/L", "date-in-number"),
        ("calcium", "80", "", "unit-missing"),
        ("calcium", "80", "furlong", "unit-unknown"),
        ("total_hardness", "17", "gr", "unit-ambiguous"),
        ("calcium", "-80", "mg/L", "negative-value"),
        ("calcium", "80." + "0" * 200, "mg/L", "number-unreadable"),
        ("calcium", "80" * 101, "mg/L", "number-absurd"),
        ("conductivity", "437", "mg/L", "unit-unknown"),
    ],
)
def test_a_cell_that_cannot_be_used_is_set_aside_alone(
    read_table: Read, analyte: str, text: str, unit: str, problem: str
) -> None:
    found = read_table((analyte, text, unit), ("ph", "8", ""))

    assert problems(found) == [problem]
    assert found.set_aside[["line", "column", "raw_text"]].to_numpy().tolist() == [[2, analyte, text]]
    assert found.readings["analyte"].tolist() == ["ph"]


def test_temperature_and_redox_may_be_below_zero(read_table: Read) -> None:
    found = read_table(("temperature", "-1.5", "°C"), ("redox", "-120", "mV"))

    assert found.readings["value"].tolist() == [-1.5, -120.0]


def test_a_unit_in_the_cell_speaks_for_the_cell(read_table: Read) -> None:
    found = read_table(("total_hardness", "14dH", ""), ("total_hardness", "14 °f", "°dH")).readings

    assert found["value"].tolist() == pytest.approx([14 * 17.848, 140.0], rel=1e-4)


def test_a_digit_mended_from_a_letter_is_told(read_table: Read) -> None:
    found = read_table(("calcium", "8O", "mg/L"), ("calcium", "70 mg/L", "mg/L"))

    assert found.readings["value"].tolist() == [80.0, 70.0]
    assert found.notices[["raw_text", "problem", "detail"]].to_numpy().tolist() == [["8O", "number-repaired", "80"]]


def test_what_was_assumed_is_noted(read_table: Read) -> None:
    found = read_table(("total_hardness", "120", "ppm"), ("alkalinity", "120", "ppm")).readings

    assert found["note"].str.contains("as CaCO3").all()
    assert found["ambiguous"].tolist() == ["", "ppm may be as CaCO3 or as HCO3"]


def test_a_spelling_of_the_layout_counts(read_table: Read) -> None:
    found = read_table(("total_hardness", "7", "Grad"), unit_aliases={"Grad": "°dH"})

    assert found.readings["value"].item() == pytest.approx(124.94, abs=0.01)


def test_methods_differ_in_their_usual_uncertainty(read_table: Read) -> None:
    cells = [
        {"analyte": "alkalinity", "raw_text": "200", "raw_unit": "mg/L CaCO3", "method": method}
        for method in ("laboratory", "drops", "strip")
    ]

    found = read_table(*cells).readings["uncertainty"].tolist()

    assert found == sorted(found)
    assert found[0] == pytest.approx(12.0)  # 6 % of 200, twice the 3.1 % of the field audit [USGS-NFQA]


TEXTS = st.sampled_from(["7.4", "7,4", "<0.5", "abc", "6-12", "", "14 dH", "1e999", "n.n.", "=1+1", "\x00", "½"])
UNITS = st.sampled_from(["mg/L", "°dH", "", "furlong", "gr", "µS/cm", "°F"])
ANALYTES = st.sampled_from(["calcium", "ph", "conductivity", "total_hardness", "temperature", "boron"])


@settings(max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cells=st.lists(st.tuples(ANALYTES, TEXTS, UNITS), min_size=1, max_size=80))
def test_every_cell_is_a_reading_or_is_set_aside(read_table: Read, cells: list[tuple[str, str, str]]) -> None:
    found = read_table(*cells, non_detect=("n.n.",))

    assert len(found.readings) + len(found.set_aside) == len(cells)
    kept = sorted([*found.readings["raw_text"], *found.set_aside["raw_text"]])
    assert kept == sorted(text for _, text, _ in cells)
    assert list(found.readings.columns) == READING_COLUMNS
    assert (found.readings["value"].notna() ^ found.readings["limit"].notna()).all()


def test_the_order_of_bad_and_good_cells_changes_no_reading(read_table: Read) -> None:
    cells = [
        ("calcium", "80", "mg/L"),
        ("calcium", "x", "mg/L"),
        ("ph", "7.4", ""),
        ("magnesium", "12", "°f"),
    ]

    there = read_table(*cells).readings.astype({"raw_text": "str"})
    back = read_table(*reversed(cells)).readings.iloc[::-1].reset_index(drop=True)

    pd.testing.assert_frame_equal(there, back, check_categorical=False)
