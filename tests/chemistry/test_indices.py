"""Trade indices against their published forms, worked values and the full speciation."""

from __future__ import annotations

import doctest
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from phreeqpython import PhreeqPython

from pipeline.chemistry import index_classes, indices
from pipeline.chemistry.equivalents import MOLAR_MASS, meq_per_l

DATA = Path(__file__).parent / "data"
HARD = {
    "calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "potassium_mg_l": 2.0,
    "bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0, "silica_mg_l": 12.0,
    "nitrate_mg_l": 10.0, "ph": 7.4, "temperature_c": 25.0,
}  # fmt: skip
SOFT = {
    "calcium_mg_l": 24.0, "magnesium_mg_l": 6.0, "sodium_mg_l": 12.0, "potassium_mg_l": 1.5,
    "bicarbonate_mg_l": 85.0, "sulfate_mg_l": 18.0, "chloride_mg_l": 14.0, "silica_mg_l": 6.0,
    "nitrate_mg_l": 4.0, "ph": 7.8, "temperature_c": 25.0,
}  # fmt: skip
WATERS = pd.DataFrame([HARD, SOFT], index=["hard", "soft"])
KIT = pd.DataFrame(
    {
        "calcium_hardness_mg_l_caco3": [200.0],
        "alkalinity_mg_l_caco3": [205.0],
        "ph": [7.4],
        "temperature_c": [25.0],
    }
)
FIGURES = ["langelier_simple", "ryznar_simple", "langelier_sm2330", "ryznar_sm2330"]


@pytest.mark.common_practice
def test_two_waters_in_the_simple_form() -> None:
    """Hard: 9.3 + 0.1529 - 13.12 * 2.47443 + 34.55 - (2.3006 - 0.4) - 2.3118 = 7.326."""
    result = indices.langelier_and_ryznar(WATERS)

    assert result["ph_saturation_simple"].to_numpy() == pytest.approx([7.326, 8.275], abs=1e-3)
    assert result["langelier_simple"].to_numpy() == pytest.approx([0.074, -0.475], abs=1e-3)
    assert result["ryznar_simple"].to_numpy() == pytest.approx([7.252, 8.751], abs=1e-3)
    assert (result["reason"] == "").all()


@pytest.mark.source("APHA2330")
def test_two_waters_in_the_full_form() -> None:
    """Hard: 10.329 - 8.480 + 2.700 + 2.388 + 5 * 0.0426 = 7.150."""
    result = indices.langelier_and_ryznar(WATERS)

    assert result["ph_saturation_sm2330"].to_numpy() == pytest.approx([7.150, 8.064], abs=1e-3)
    assert result["langelier_sm2330"].to_numpy() == pytest.approx([0.250, -0.264], abs=1e-3)
    assert result["ryznar_sm2330"].to_numpy() == pytest.approx([6.900, 8.329], abs=1e-3)


@pytest.mark.source("SICOMP")
def test_the_full_saturation_index_lies_in_the_range_given() -> None:
    """PHREEQC gives the two waters a calcite saturation index of 0.2205 and -0.2839 at 25 °C."""
    result = indices.langelier_and_ryznar(WATERS)
    full = np.array([0.2205, -0.2839])

    for form in ("simple", "sm2330"):
        assert (result[f"langelier_{form}_si_low"].to_numpy() < full).all()
        assert (result[f"langelier_{form}_si_high"].to_numpy() > full).all()


@pytest.mark.source("PHREEQC3")
def test_reference_waters_lie_in_the_range_given() -> None:
    """Nine in ten of the waters with an alkalinity above 20 mg/L; an alkaline one may have no range."""
    table = pd.read_csv(DATA / "waters_25c.csv", comment="#")
    names = {"Ca_mgL": "calcium_mg_l", "Mg_mgL": "magnesium_mg_l", "Na_mgL": "sodium_mg_l",
             "K_mgL": "potassium_mg_l", "alk_mgL_HCO3": "bicarbonate_mg_l", "SO4_mgL": "sulfate_mg_l",
             "Cl_mgL": "chloride_mg_l",
             "NO3_mgL": "nitrate_mg_l", "pH": "ph", "T_C": "temperature_c"}  # fmt: skip
    waters = table.rename(columns=names).query("bicarbonate_mg_l > 24.4")

    result = indices.langelier_and_ryznar(waters)

    assert len(waters) >= 14
    for form in ("simple", "sm2330"):
        inside = waters["si_calcite"].between(
            result[f"langelier_{form}_si_low"] - 5e-3, result[f"langelier_{form}_si_high"] + 5e-3
        )
        assert inside.mean() >= 0.85


def test_above_ph_8_5_and_60_degrees_only_the_lower_end_is_known() -> None:
    hot = indices.langelier_and_ryznar(WATERS.assign(ph=9.0, temperature_c=90.0))

    assert (hot["langelier_simple"] - hot["langelier_simple_si_low"]).to_numpy() == pytest.approx([1.4, 1.4])
    assert hot["langelier_simple_si_high"].isna().all()


@pytest.mark.slow
@pytest.mark.source("PHREEQC3")
@pytest.mark.parametrize("temperature_c", [(5.0, 30.0), (30.0, 60.0), (60.0, 95.0)])
def test_random_waters_lie_in_the_range_given(temperature_c: tuple[float, float]) -> None:
    """Other waters than those the table was made from; the range should hold nine in ten of them."""
    draw = np.random.default_rng(31)
    count = 200
    limits = {"calcium": (1, 250), "magnesium": (0.1, 80), "sodium": (1, 200), "bicarbonate": (24, 600),
              "sulfate": (0.1, 300), "chloride": (1, 100)}  # fmt: skip
    waters = pd.DataFrame(
        {f"{ion}_mg_l": np.exp(draw.uniform(np.log(ends[0]), np.log(ends[1]), count)) for ion, ends in limits.items()}
    ).assign(ph=draw.uniform(6.5, 8.5, count), temperature_c=draw.uniform(*temperature_c, count))
    meq = meq_per_l(waters)
    gap = meq[["calcium_meq_l", "magnesium_meq_l", "sodium_meq_l"]].sum(axis=1) - meq[
        ["alkalinity_meq_l", "sulfate_meq_l", "chloride_meq_l"]
    ].sum(axis=1)
    balanced = waters.assign(
        chloride_mg_l=waters["chloride_mg_l"] + MOLAR_MASS["chloride"] * gap.clip(lower=0.0),
        sodium_mg_l=waters["sodium_mg_l"] + MOLAR_MASS["sodium"] * (-gap).clip(lower=0.0),
    )
    meq = meq_per_l(balanced)
    totals = pd.DataFrame(
        {"Ca": meq["calcium_meq_l"] / 2, "Mg": meq["magnesium_meq_l"] / 2, "Na": meq["sodium_meq_l"],
         "Alkalinity": meq["alkalinity_meq_l"], "S(6)": meq["sulfate_meq_l"] / 2, "Cl": meq["chloride_meq_l"],
         "pH": balanced["ph"], "temp": balanced["temperature_c"]}
    )  # fmt: skip
    engine = PhreeqPython()
    full = pd.Series(
        [engine.add_solution({"units": "mmol/kgw", **water}).si("Calcite") for water in totals.to_dict("records")]
    )

    result = indices.langelier_and_ryznar(balanced)

    for form in ("simple", "sm2330"):
        inside = full.between(result[f"langelier_{form}_si_low"], result[f"langelier_{form}_si_high"])
        assert inside.mean() >= 0.88


@pytest.mark.source("APHA2330")
def test_a_kit_and_a_conductivity_suffice() -> None:
    """TDS 0.65 * 600 = 390; ionic strength 1.6e-5 * 600 = 0.0096, pf 0.0440."""
    result = indices.langelier_and_ryznar(KIT.assign(conductivity_us_cm_25c=600.0))

    by_hand = 9.3 + (np.log10(390) - 1) / 10 - 13.12 * np.log10(298.15) + 34.55 - np.log10(200) + 0.4 - np.log10(205)
    assert result["ph_saturation_simple"].item() == pytest.approx(by_hand)
    assert result["langelier_sm2330"].notna().all()
    assert result["assumption"].item() == (
        "dissolved solids from conductivity × 0.65; ionic strength from conductivity"
    )


@pytest.mark.source("APHA2330")
def test_a_kit_and_dissolved_solids_suffice() -> None:
    """2.5e-5 * 384 = 1.6e-5 * 600: the same ionic strength."""
    from_solids = indices.langelier_and_ryznar(KIT.assign(tds_mg_l=384.0))
    from_conductivity = indices.langelier_and_ryznar(KIT.assign(conductivity_us_cm_25c=600.0))

    assert from_solids["langelier_sm2330"].item() == pytest.approx(from_conductivity["langelier_sm2330"].item())
    assert from_solids["assumption"].item() == "ionic strength from dissolved solids"


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"ph": np.nan}, "pH missing"),
        ({"ph": 14.5}, "pH outside 0–14"),
        ({"temperature_c": np.nan}, "temperature missing"),
        ({"temperature_c": 120.0}, "temperature outside 0–95 °C"),
        ({"calcium_mg_l": 0.0}, "calcium not above 0"),
        ({"calcium_mg_l": np.nan}, "calcium missing"),
        ({"bicarbonate_mg_l": np.nan}, "alkalinity missing"),
    ],
)
def test_what_cannot_be_indexed_gives_a_reason_and_no_figure(change: dict[str, float], reason: str) -> None:
    result = indices.langelier_and_ryznar(WATERS.assign(tds_mg_l=300.0, **change))

    assert result["reason"].str.contains(reason, regex=False).all()
    assert result[FIGURES].isna().all(axis=None)
    assert (result["ryznar_class"] == "").all() or reason.startswith("pH")


def test_without_any_measure_of_salinity_there_is_no_index() -> None:
    result = indices.langelier_and_ryznar(KIT)

    assert result["reason"].item() == "dissolved solids (or conductivity, or all major ions) missing"
    assert result[FIGURES].isna().all(axis=None)


def test_caustic_water_without_bicarbonate_is_left_out_of_the_full_form() -> None:
    caustic = indices.langelier_and_ryznar(WATERS.assign(ph=12.0))

    assert caustic["langelier_sm2330"].isna().all()
    assert caustic["reason"].str.contains("no bicarbonate left", regex=False).all()
    assert caustic["langelier_simple"].notna().all()


@pytest.mark.common_practice
def test_ryznar_bands() -> None:
    """Below 6 scale, 6 to 7 balanced, above 7 none."""
    words = index_classes.classes("ryznar", np.array([5.9, 6.0, 7.0, 7.1, np.nan]), np.full(5, 100.0))

    assert list(words) == ["scale", "balanced", "balanced", "no scale", ""]


@pytest.mark.source("LS1958")
def test_larson_skold_of_two_waters() -> None:
    """(36/35.453 + 2 * 40/96.0626) / (250/61.0168) = (1.0154 + 0.8328)/4.0972."""
    result = indices.corrosion_ratios(WATERS)

    assert result["larson_skold"].to_numpy() == pytest.approx([0.4511, 0.5525], abs=1e-4)
    assert result["larson_skold_class"].tolist() == ["low", "low"]
    assert (result["reason"] == "").all()


@pytest.mark.source("LS1958")
@pytest.mark.parametrize(("ratio", "word"), [(0.79, "low"), (0.8, "raised"), (1.2, "raised"), (1.21, "high")])
def test_larson_skold_bands(ratio: float, word: str) -> None:
    assert list(index_classes.classes("larson_skold", np.array([ratio]), np.array([200.0]))) == [word]


@pytest.mark.source("BELITZ2016")
@pytest.mark.parametrize(
    ("chloride", "alkalinity", "word"),
    [
        (1.9, 100.0, "low"),
        (2.0, 100.0, "moderate"),
        (5.0, 20.0, "moderate"),
        (5.1, 50.0, "moderate"),
        (5.1, 49.9, "high"),
        (5.1, np.nan, "moderate or high"),
        (4.0, np.nan, "moderate"),
    ],
)
def test_chloride_to_sulfate_classes(chloride: float, alkalinity: float, word: str) -> None:
    """Sulfate of 10 mg/L: the ratio is a tenth of the chloride."""
    water = pd.DataFrame({"chloride_mg_l": [chloride], "sulfate_mg_l": [10.0], "alkalinity_mg_l_caco3": [alkalinity]})

    assert indices.corrosion_ratios(water)["chloride_sulfate_class"].item() == word


@pytest.mark.source("BELITZ2016")
def test_chloride_to_sulfate_of_two_waters() -> None:
    """36/40 and 14/18."""
    result = indices.corrosion_ratios(WATERS)

    assert result["chloride_sulfate_mass_ratio"].to_numpy() == pytest.approx([0.900, 0.778], abs=1e-3)
    assert result["chloride_sulfate_class"].tolist() == ["moderate", "moderate"]


@pytest.mark.source("BELITZ2016")
@pytest.mark.parametrize(("chloride", "at_least", "word"), [(30.0, 6.0, "high"), (2.0, 0.4, "")])
def test_sulfate_below_its_limit_gives_a_lower_bound(chloride: float, at_least: float, word: str) -> None:
    """Sulfate "< 5": 30/5 = 6 is high whatever the sulfate; 2/5 = 0.4 may be anything above."""
    water = pd.DataFrame({"chloride_mg_l": [chloride], "sulfate_mg_l": [np.nan], "alkalinity_mg_l_caco3": [30.0]})

    result = indices.corrosion_ratios(water, highest=pd.DataFrame({"sulfate_mg_l": [5.0]}))

    assert result["chloride_sulfate_mass_ratio"].isna().all()
    assert result["chloride_sulfate_mass_ratio_low"].item() == pytest.approx(at_least)
    assert result["chloride_sulfate_class"].item() == word
    assert "lower bound" in result["reason"].item()


@pytest.mark.parametrize(
    ("change", "reason", "lost"),
    [
        ({"chloride_mg_l": np.nan}, "chloride missing", "chloride_sulfate_mass_ratio"),
        ({"sulfate_mg_l": np.nan}, "sulfate missing", "chloride_sulfate_mass_ratio"),
        ({"sulfate_mg_l": 0.0}, "sulfate is 0", "chloride_sulfate_mass_ratio"),
        ({"bicarbonate_mg_l": np.nan}, "alkalinity missing", "larson_skold"),
        ({"bicarbonate_mg_l": 0.0}, "alkalinity is 0", "larson_skold"),
        ({"chloride_mg_l": -1.0}, "a concentration below 0", "chloride_sulfate_mass_ratio"),
    ],
)
def test_a_ratio_that_cannot_be_formed_says_why(change: dict[str, float], reason: str, lost: str) -> None:
    result = indices.corrosion_ratios(WATERS.assign(**change))

    assert result[lost].isna().all()
    assert result["reason"].str.contains(reason, regex=False).all()


@pytest.mark.common_practice
@pytest.mark.parametrize(("alkalinity", "word"), [(24.9, "very low"), (39.9, "low"), (40.0, "enough"), (np.nan, "")])
def test_buffer_words(alkalinity: float, word: str) -> None:
    water = pd.DataFrame({"alkalinity_mg_l_caco3": [alkalinity]})

    assert indices.corrosion_ratios(water)["buffer_class"].item() == word


@pytest.mark.common_practice
def test_the_note_says_where_the_ratio_was_never_meant_to_go() -> None:
    water = pd.DataFrame({"alkalinity_mg_l_caco3": [30.0, 120.0]})

    notes = indices.corrosion_ratios(water)["note"]

    assert notes.str.startswith("planning note, not a verdict").all()
    assert notes.str.contains("below that of the waters").tolist() == [True, False]


@settings(max_examples=25)
@given(st.floats(6.0, 9.0), st.floats(0.05, 0.5))
def test_the_indices_move_with_ph_as_defined(ph: float, step: float) -> None:
    """With the simple pHs fixed, Langelier rises by the step and Ryznar falls by it."""
    waters = WATERS.loc[["hard", "hard"]].assign(ph=[ph, ph + step])

    result = indices.langelier_and_ryznar(waters)

    assert np.diff(result["langelier_simple"]) == pytest.approx([step])
    assert np.diff(result["ryznar_simple"]) == pytest.approx([-step])


@settings(max_examples=25)
@given(st.floats(1.0, 90.0), st.floats(0.5, 5.0), st.sampled_from(["simple", "sm2330"]))
def test_warmth_and_calcium_raise_the_langelier_index(temperature_c: float, step: float, form: str) -> None:
    cool = WATERS.iloc[[0]].assign(temperature_c=temperature_c)
    warm = cool.assign(temperature_c=temperature_c + step)
    rich = cool.assign(calcium_mg_l=cool["calcium_mg_l"] + 10.0 * step)

    base, warmer, richer = indices.langelier_and_ryznar(pd.concat([cool, warm, rich]))[f"langelier_{form}"]

    assert warmer > base
    assert richer > base


@settings(max_examples=25)
@given(st.permutations(range(3)))
def test_the_order_of_the_rows_changes_nothing(order: list[int]) -> None:
    waters = pd.concat([WATERS, WATERS.iloc[[0]].assign(ph=np.nan)], ignore_index=True)

    for function in (indices.langelier_and_ryznar, indices.corrosion_ratios):
        pd.testing.assert_frame_equal(function(waters.iloc[order]), function(waters).iloc[order])


@pytest.mark.parametrize("module", [indices, index_classes])
def test_examples_run(module: object) -> None:
    assert doctest.testmod(module).failed == 0  # type: ignore[arg-type]
