"""What treatments make of waters, against arithmetic that stands beside it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.treat.processes.treatments import treat, vented

DEGREE = 17.848  # mg/L as CaCO3 per °dH: 10 mg of CaO, 56.0774 and 100.0869 g/mol
HARD = {"calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "potassium_mg_l": 2.0,
        "bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0, "silica_mg_l": 12.0,
        "nitrate_mg_l": 10.0, "ph": 7.4, "temperature_c": 25.0}  # fmt: skip


def water(**readings: float) -> pd.DataFrame:
    return pd.DataFrame([readings])


def hard() -> pd.DataFrame:
    return pd.DataFrame([HARD])


@pytest.mark.common_practice
@pytest.mark.parametrize(("leak_degrees", "bypass"), [(0.0, 4 / 14), (1.0, 3 / 13)])
def test_a_decarboniser_set_to_four_degrees_takes_ten_from_hardness_and_alkalinity(
    leak_degrees: float, bypass: float
) -> None:
    """Raw 18 °dH hardness, 14 °dH alkalinity, pH 7.3: 28.6 % past fresh resin (23.1 % with a leak of 1 °dH)
    leaves 18 - (14 - 4) = 8 °dH and 4 °dH; 10 * 17.848 * 0.8794 = 157.0 mg/L of carbon dioxide come free.
    """  # noqa: D205 - the rule needs three lines
    raw = water(total_hardness_mg_l_caco3=18 * DEGREE, alkalinity_mg_l_caco3=14 * DEGREE, ph=7.3)

    product = treat(raw, "decarboniser", {"bypass": bypass, "leak_mg_l_caco3": leak_degrees * DEGREE}).iloc[0]

    assert product["total_hardness_mg_l_caco3"] == pytest.approx(142.8, rel=0.005)
    assert product["alkalinity_mg_l_caco3"] == pytest.approx(4 * DEGREE, rel=0.005)
    assert product["alkalinity_removed_mg_l_caco3"] == pytest.approx(178.48, rel=0.005)
    assert product["co2_added_mg_l"] == pytest.approx(157.0, rel=0.005)
    assert product["ph"] == pytest.approx(5.9, abs=0.05)


@pytest.mark.common_practice
@pytest.mark.parametrize(("alkalinity", "left", "expected"), [(71.4, 10.0, 7.1), (50.0, 2.0, 7.7)])
def test_in_an_open_cup_the_ph_is_that_of_what_carbon_dioxide_is_left(
    alkalinity: float, left: float, expected: float
) -> None:
    """PH = 6.35 + log10((alkalinity/50.04)/(CO2/44.01)): 71.4 and 10 mg/L give 7.1; 50 and 2 give 7.7."""
    closed = water(total_hardness_mg_l_caco3=142.8, alkalinity_mg_l_caco3=alkalinity, ph=5.9, temperature_c=25.0)

    open_cup = vented(closed, left).iloc[0]

    assert open_cup["ph"] == pytest.approx(expected, abs=0.05)
    assert open_cup["ph"] == pytest.approx(6.35 + np.log10(alkalinity / 50.04 / (left / 44.01)), abs=0.06)
    assert open_cup["alkalinity_mg_l_caco3"] == pytest.approx(alkalinity)


@pytest.mark.source("IUPAC2021")
def test_a_softener_set_to_five_degrees_turns_hardness_into_sodium() -> None:
    """Hardness 392.5 to 89.2: (392.5 - 89.2) * 0.4594 = 139.3 mg/L of sodium come to the 12: 151 mg/L."""
    raw = water(calcium_mg_l=128.0, magnesium_mg_l=17.7, sodium_mg_l=12.0, bicarbonate_mg_l=326.0, chloride_mg_l=36.0,
                sulfate_mg_l=95.0, nitrate_mg_l=20.0, ph=7.3, conductivity_us_cm_25c=782.0)  # fmt: skip

    part = treat(raw, "softener", {"bypass": 89.2 / 392.5}).iloc[0]
    full = treat(raw, "softener").iloc[0]

    assert part["total_hardness_mg_l_caco3"] == pytest.approx(89.2, rel=0.005)
    assert part["sodium_mg_l"] == pytest.approx(151.0, rel=0.005)
    assert part["alkalinity_mg_l_caco3"] == pytest.approx(267.4, rel=0.005)
    # PHREEQC 3 (phreeqc.dat) makes 825.0 of this water and 792.8 of the raw one: 782 · 825.0 / 792.8 = 813.8.
    assert part["conductivity_us_cm_25c"] == pytest.approx(813.8, rel=0.015)
    assert full["sodium_mg_l"] == pytest.approx(192.0, rel=0.005)


@pytest.mark.common_practice
def test_a_membrane_with_fifteen_percent_raw_water_reaches_an_alkalinity_of_fifty() -> None:
    """F = (50 - 13)/(260 - 13) = 0.150; everything then is 0.15 + 0.85 * 0.05 = 0.1925 of the raw water."""
    raw = water(total_hardness_mg_l_caco3=319.7, alkalinity_mg_l_caco3=260.0, sodium_mg_l=36.0, chloride_mg_l=62.0,
                sulfate_mg_l=48.0, conductivity_us_cm_25c=735.0, ph=7.4)  # fmt: skip

    blend = treat(raw, "reverse osmosis", {"bypass": 37.0 / 247.0}).iloc[0]

    expected = {"alkalinity_mg_l_caco3": 50.0, "total_hardness_mg_l_caco3": 61.5, "sodium_mg_l": 6.9,
                "chloride_mg_l": 11.9, "sulfate_mg_l": 9.2}  # fmt: skip
    for name, value in expected.items():
        assert blend[name] == pytest.approx(value, rel=0.005), name
    assert blend["ph"] == pytest.approx(6.7, abs=0.05)
    assert vented(pd.DataFrame([blend]), 2.0)["ph"].item() == pytest.approx(7.7, abs=0.05)
    # 735 * 0.1925 = 141; the ions of the thin water hinder one another less: PHREEQC makes 155 of it.
    assert blend["conductivity_us_cm_25c"] == pytest.approx(155.0, rel=0.015)


@pytest.mark.common_practice
def test_blending_a_softened_with_an_unsoftened_tap_leaves_the_alkalinity() -> None:
    """F = (71.4 - 8.9)/(314.7 - 8.9) = 0.204; alkalinity 260 in both and in the blend; sodium 137."""
    softened = water(total_hardness_mg_l_caco3=8.9, alkalinity_mg_l_caco3=260.0, sodium_mg_l=167.0, ph=7.6)
    other = water(total_hardness_mg_l_caco3=314.7, alkalinity_mg_l_caco3=260.0, sodium_mg_l=21.0, ph=7.3)

    blended = treat(softened, "blend", {"share": 62.5 / 305.8}, other=other).iloc[0]
    opened = treat(softened, "softener bypass", {"bypass": 62.5 / 305.8}, other=other).iloc[0]

    for mixed in (blended, opened):
        assert mixed["total_hardness_mg_l_caco3"] == pytest.approx(71.4, rel=0.005)
        assert mixed["alkalinity_mg_l_caco3"] == pytest.approx(260.0)
        assert mixed["sodium_mg_l"] == pytest.approx(137.0, rel=0.005)


@pytest.mark.source("IUPAC2021")
def test_an_unsoftened_tap_gives_the_sodium_back() -> None:
    """Hardness 8.9 to 314.7 takes 305.8 * 0.4594 = 140.5 mg/L of the 167 mg/L of sodium."""
    softened = water(total_hardness_mg_l_caco3=8.9, alkalinity_mg_l_caco3=260.0, sodium_mg_l=167.0, ph=7.6)

    tap = treat(softened, "unsoftened tap", {"hardness_mg_l_caco3": 314.7}).iloc[0]

    assert tap["total_hardness_mg_l_caco3"] == pytest.approx(314.7)
    assert tap["sodium_added_mg_l"] == pytest.approx(-140.5, rel=0.005)
    assert tap["alkalinity_removed_mg_l_caco3"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.common_practice
def test_two_bottled_waters_meet_at_the_alkalinity_wanted() -> None:
    """Share of A = (50 - 12.3)/(210.0 - 12.3) = 0.191: hardness 54.5, alkalinity 50.0; one to three: 66.8, 61.7."""
    bottles = {
        "a": {"calcium_mg_l": 71.0, "magnesium_mg_l": 11.0, "sodium_mg_l": 6.0, "bicarbonate_mg_l": 256.0,
              "chloride_mg_l": 8.0, "sulfate_mg_l": 19.0, "ph": 7.2},
        "b": {"calcium_mg_l": 4.0, "magnesium_mg_l": 1.2, "sodium_mg_l": 3.0, "bicarbonate_mg_l": 15.0,
              "chloride_mg_l": 3.0, "sulfate_mg_l": 4.0, "ph": 6.8},
    }  # fmt: skip
    first, second = (pd.DataFrame([bottle]) for bottle in bottles.values())

    fine = treat(second, "blend", {"share": 0.191}, other=first).iloc[0]
    handy = treat(second, "blend", {"share": 0.25}, other=first).iloc[0]

    assert fine["total_hardness_mg_l_caco3"] == pytest.approx(54.5, rel=0.005)
    assert fine["alkalinity_mg_l_caco3"] == pytest.approx(50.0, rel=0.005)
    assert fine["conductivity_us_cm_25c"] == pytest.approx(125.0, rel=0.05)
    assert handy["total_hardness_mg_l_caco3"] == pytest.approx(66.8, rel=0.005)
    assert handy["alkalinity_mg_l_caco3"] == pytest.approx(61.7, rel=0.005)


@pytest.mark.source("IUPAC2021")
def test_full_softening_conserves_equivalents_and_weighs_a_little_more() -> None:
    """Ca 80 and Mg 12 are 4.980 meq/L = 114.48 mg/L of sodium: 134.48 in all, +22.48 mg/L of ions."""
    soft = treat(hard(), "softener").iloc[0]

    assert soft["sodium_mg_l"] == pytest.approx(134.48, abs=0.01)
    assert soft["sodium_added_mg_l"] - 80.0 - 12.0 == pytest.approx(22.48, abs=0.01)
    assert soft["total_hardness_mg_l_caco3"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.source("PHREEQC3")
def test_weak_acid_resin_frees_carbon_dioxide_equivalent_for_equivalent() -> None:
    """90 % of 4.097 meq/L: 0.410 left, +162.3 mg/L of carbon dioxide, pH 5.34 in the pipe, 7.80 in the air."""
    treated = treat(hard(), "decarboniser", {"removal": 0.9})

    assert treated["alkalinity_mg_l_caco3"].item() / 50.04345 == pytest.approx(0.410, abs=5e-4)
    assert treated["co2_added_mg_l"].item() == pytest.approx(162.3, abs=0.1)
    assert treated["ph"].item() == pytest.approx(5.34, abs=0.005)
    # log pCO2 = -3.4 and log KH = -1.468 at 25 °C: 10^-4.868 mol/L = 0.596 mg/L.
    assert vented(treated, 10 ** (-3.4 - 1.468) * 44009.5)["ph"].item() == pytest.approx(7.80, abs=0.01)


@pytest.mark.source("IUPAC2021")
def test_a_magnesium_exchanger_leaves_the_hardness_reading() -> None:
    """1 mg of calcium becomes 24.305/40.078 = 0.6064 mg of magnesium: 80 become 48.52."""
    treated = treat(hard(), "magnesium exchanger", {"exchange": 1.0}).iloc[0]

    assert treated["magnesium_mg_l"] == pytest.approx(12.0 + 48.515, abs=0.01)
    assert treated["total_hardness_mg_l_caco3"] == pytest.approx(249.2, abs=0.05)
    assert treated["calcium_hardness_mg_l_caco3"] == pytest.approx(0.0, abs=1e-9)
    assert treated["alkalinity_removed_mg_l_caco3"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.source("IUPAC2021")
def test_a_buffered_resin_halves_the_acid_and_gives_the_rest_as_sodium() -> None:
    """Half of 4.0972 meq/L for hydrogen leaves 2.0486; the other half is 47.10 mg/L of sodium."""
    treated = treat(hard(), "buffered decarboniser", {"hydrogen_share": 0.5}).iloc[0]

    assert treated["alkalinity_mg_l_caco3"] / 50.04345 == pytest.approx(2.0486, abs=1e-3)
    assert treated["sodium_added_mg_l"] == pytest.approx(47.10, abs=0.01)
    assert treated["hardness_removed_mg_l_caco3"] == pytest.approx(205.04, abs=0.01)


def test_a_softened_water_gives_a_decarboniser_nothing_to_do() -> None:
    softened = water(total_hardness_mg_l_caco3=8.9, alkalinity_mg_l_caco3=260.0, sodium_mg_l=167.0, ph=7.6)

    treated = treat(softened, "decarboniser").iloc[0]

    assert treated["alkalinity_removed_mg_l_caco3"] == pytest.approx(8.9)


@pytest.mark.source("IUPAC2021")
def test_carbon_turns_chlorine_into_chloride_and_touches_nothing_else() -> None:
    """0.8 mg/L as Cl2 are 0.8/70.906 mmol/L: +0.40 mg/L of chloride, -0.56 mg/L of alkalinity as CaCO3."""
    raw = hard().assign(free_chlorine_mg_l=0.8, total_chlorine_mg_l=1.0)

    treated = treat(raw, "carbon", {"chloramine_removed": 0.5}).iloc[0]

    assert treated["free_chlorine_mg_l"] == 0.0
    assert treated["total_chlorine_mg_l"] == pytest.approx(0.1)
    assert treated["chloride_mg_l"] - 36.0 == pytest.approx(0.9 / 70.906 * 35.453)
    assert treated["alkalinity_removed_mg_l_caco3"] == pytest.approx(0.9 / 70.906 * 50.04345)
    assert treated["total_hardness_mg_l_caco3"] == pytest.approx(249.2, abs=0.05)


@pytest.mark.common_practice
def test_a_resin_bag_is_best_overnight() -> None:
    """First order: half of the way after one half-time, 15/16 after four."""
    waters = pd.concat([hard()] * 3, ignore_index=True)

    taken = treat(waters, "resin bag", {"hours": np.array([0.0, 2.5, 10.0]), "half_time_hours": 2.5, "removal": 0.6})

    full = 0.6 * 205.04
    assert taken["alkalinity_removed_mg_l_caco3"].tolist() == pytest.approx([0.0, full / 2, full * 15 / 16], abs=0.01)


@pytest.mark.common_practice
def test_a_mineralising_cartridge_adds_twenty_five_to_permeate_and_nothing_to_a_saturated_water() -> None:
    permeate = water(calcium_mg_l=1.6, magnesium_mg_l=0.24, sodium_mg_l=6.0, bicarbonate_mg_l=12.5, chloride_mg_l=6.0,
                     silica_mg_l=1.4, sulfate_mg_l=0.0, ph=5.9, temperature_c=25.0)  # fmt: skip

    richer = treat(permeate, "remineraliser").iloc[0]
    saturated = treat(hard(), "remineraliser").iloc[0]

    assert richer["hardness_removed_mg_l_caco3"] == pytest.approx(-25.0)
    assert richer["alkalinity_removed_mg_l_caco3"] == pytest.approx(-25.0)
    assert richer["ph"] > 5.9
    assert saturated["hardness_removed_mg_l_caco3"] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.source("PHREEQC3")
def test_calcite_dissolves_until_the_water_is_saturated() -> None:
    """A permeate of pH 5.9 dissolves 56.4 mg/L of calcite and ends at pH 8.08."""
    permeate = water(calcium_mg_l=1.6, magnesium_mg_l=0.24, sodium_mg_l=6.0, bicarbonate_mg_l=12.5, chloride_mg_l=6.0,
                     silica_mg_l=1.4, sulfate_mg_l=0.0, ph=5.9, temperature_c=25.0)  # fmt: skip

    full = treat(permeate, "calcite contact").iloc[0]
    half = treat(permeate, "calcite contact", {"approach": 0.5}).iloc[0]

    assert full["hardness_removed_mg_l_caco3"] == pytest.approx(-56.4, abs=0.1)
    assert full["alkalinity_removed_mg_l_caco3"] == pytest.approx(-56.4, abs=0.1)
    assert full["ph"] == pytest.approx(8.08, abs=0.01)
    assert full["calcite_si"] == pytest.approx(0.0, abs=1e-3)
    assert half["hardness_removed_mg_l_caco3"] == pytest.approx(-28.2, abs=0.1)


@pytest.mark.common_practice
def test_single_rejections_are_closed_to_a_neutral_permeate() -> None:
    """Textbook figures ion by ion leave 0.1 meq/L open; the permeate must be as balanced as its feed."""
    from pipeline.chemistry.equivalents import anion_sum, cation_sum  # noqa: PLC0415

    shares = {
        "calcium": 0.97, "magnesium": 0.97, "sodium": 0.95, "potassium": 0.92, "bicarbonate": 0.955,
        "chloride": 0.945, "sulfate": 0.99, "nitrate": 0.945, "fluoride": 0.95, "silica": 0.875,
    }  # fmt: skip
    permeate = treat(hard(), "reverse osmosis", {f"rejection_{ion}": share for ion, share in shares.items()})

    feed_ratio = cation_sum(hard()).item() / anion_sum(hard()).item()
    assert cation_sum(permeate).item() / anion_sum(permeate).item() == pytest.approx(feed_ratio)
    assert permeate["sulfate_mg_l"].item() <= 0.4
    assert permeate["ph"].item() < 6.5
