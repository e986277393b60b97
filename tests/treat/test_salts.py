"""Dosed salts: hydrates, grams, and bottles of concentrate."""

from __future__ import annotations

import doctest

import pandas as pd
import pytest

from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.treat.processes import remineralising
from pipeline.treat.processes.remineralising import SALTS, concentrates, grams, recipe, salt_effects
from pipeline.treat.processes.treatments import treat
from pipeline.words import LANGUAGES, say

# IUPAC2021 abridged: H 1.008, C 12.011, O 15.999, Na 22.98977, Mg 24.305, S 32.06, Cl 35.453, K 39.0983, Ca 40.078.
WATER = 2 * 1.008 + 15.999
SULFATE = 32.0666 + 4 * 15.999
BICARBONATE = 1.008 + 12.011 + 3 * 15.999
WEIGHTS = {
    "calcium_chloride_dihydrate": 40.078 + 2 * 35.453 + 2 * WATER,
    "calcium_chloride_anhydrous": 40.078 + 2 * 35.453,
    "calcium_sulfate_dihydrate": 40.078 + SULFATE + 2 * WATER,
    "magnesium_sulfate_heptahydrate": 24.305 + SULFATE + 7 * WATER,
    "magnesium_sulfate_anhydrous": 24.305 + SULFATE,
    "magnesium_chloride_hexahydrate": 24.305 + 2 * 35.453 + 6 * WATER,
    "sodium_bicarbonate": 22.98977 + BICARBONATE,
    "potassium_bicarbonate": 39.0983 + BICARBONATE,
    "sodium_chloride": 22.98977 + 35.453,
}
EMPTY = {f"{ion}_mg_l": 0.0 for ion in ("calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate")}


def pure() -> pd.DataFrame:
    return pd.DataFrame([EMPTY | {"alkalinity_mg_l_caco3": 0.0, "ph": 7.0, "temperature_c": 25.0}])


@pytest.mark.source("IUPAC2021")
def test_every_salt_weighs_what_its_atoms_weigh() -> None:
    masses = table("salts").set_index("salt")["molar_mass_g_mol"]

    assert set(masses.index) == set(WEIGHTS)
    for salt, weight in WEIGHTS.items():
        assert masses[salt] == pytest.approx(weight, rel=1e-4), salt


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(
    ("salt", "hardness", "alkalinity"),
    [
        ("sodium_bicarbonate", 0.0, 0.5957),
        ("potassium_bicarbonate", 0.0, 0.4999),
        ("magnesium_sulfate_heptahydrate", 0.4061, 0.0),
        ("calcium_chloride_dihydrate", 0.6808, 0.0),
        ("calcium_chloride_anhydrous", 0.902, 0.0),
        ("magnesium_chloride_hexahydrate", 0.4923, 0.0),
        ("calcium_sulfate_dihydrate", 0.5813, 0.0),
    ],
)
def test_a_milligram_of_salt_gives_this_hardness_and_alkalinity(salt: str, hardness: float, alkalinity: float) -> None:
    """100.087 / molar mass for hardness, 50.043 / molar mass for alkalinity; the hydrate counts."""
    effect = salt_effects().loc[salt]

    assert effect["total_hardness_mg_l_caco3"] == pytest.approx(hardness, abs=6e-4)
    assert effect["alkalinity_mg_l_caco3"] == pytest.approx(alkalinity, abs=6e-4)


@pytest.mark.common_practice
def test_twenty_litres_for_hardness_seventy_and_alkalinity_forty_five() -> None:
    """40 as calcium, 30 as magnesium: 1.175 g CaCl2·2H2O, 1.477 g MgSO4·7H2O, 1.511 g NaHCO3."""
    doses = recipe(40.0, 30.0, 45.0)

    weighed = grams(doses, 20.0)
    product = treat(pure(), "salt dosing", doses).iloc[0]

    assert weighed["calcium_chloride_dihydrate"] == pytest.approx(1.175, rel=0.005)
    assert weighed["magnesium_sulfate_heptahydrate"] == pytest.approx(1.477, rel=0.005)
    assert weighed["sodium_bicarbonate"] == pytest.approx(1.511, rel=0.005)
    expected = {"calcium_mg_l": 16.0, "magnesium_mg_l": 7.3, "sodium_mg_l": 20.7, "chloride_mg_l": 28.3,
                "sulfate_mg_l": 28.8, "bicarbonate_mg_l": 54.9}  # fmt: skip
    for name, value in expected.items():
        assert product[name] == pytest.approx(value, rel=0.005), name
    assert product["conductivity_us_cm_25c"] == pytest.approx(242.0, rel=0.08)  # the model is good to 8 %


@pytest.mark.common_practice
def test_potassium_instead_of_sodium_and_sulfate_instead_of_chloride() -> None:
    """90.0 mg/L of KHCO3 brings 35.2 of potassium; all magnesium as sulfate needs 172.4 mg/L, 67 of sulfate."""
    doses = recipe(0.0, 70.0, 45.0, alkalinity_salt="potassium_bicarbonate")
    product = treat(pure(), "salt dosing", doses).iloc[0]

    assert doses["potassium_bicarbonate_mg_l"] == pytest.approx(90.0, rel=0.005)
    assert doses["magnesium_sulfate_heptahydrate_mg_l"] == pytest.approx(172.4, rel=0.005)
    assert product["potassium_mg_l"] == pytest.approx(35.2, rel=0.005)
    assert product["sulfate_mg_l"] == pytest.approx(67.0, rel=0.005)
    assert product["sodium_mg_l"] == 0.0


def test_what_is_not_known_of_the_raw_water_stays_unknown_but_what_is_added_is_told() -> None:
    kit = pd.DataFrame([{"total_hardness_mg_l_caco3": 22.3, "alkalinity_mg_l_caco3": 22.3, "ph": 6.7}])

    dosed = treat(kit, "salt dosing", {"sodium_bicarbonate_mg_l": 38.1}).iloc[0]

    assert pd.isna(dosed["sodium_mg_l"])
    assert dosed["sodium_added_mg_l"] == pytest.approx(10.4, abs=0.05)
    assert dosed["alkalinity_mg_l_caco3"] == pytest.approx(45.0, abs=0.05)


def test_calcium_and_bicarbonate_get_a_bottle_each() -> None:
    """10 mL per litre from a bottle of 1 L serve 100 L: 5.875 g of the chloride, 7.554 g of the bicarbonate."""
    bottles = concentrates(recipe(40.0, 0.0, 45.0), 1.0, 10.0)

    assert [list(bottle.salts) for bottle in bottles] == [["calcium_chloride_dihydrate"], ["sodium_bicarbonate"]]
    assert bottles[0].salts["calcium_chloride_dihydrate"] == pytest.approx(5.875, abs=0.001)
    assert bottles[1].salts["sodium_bicarbonate"] == pytest.approx(7.554, abs=0.001)
    for language in LANGUAGES:
        assert all(say(note, language) for note in bottles[0].notes)
    assert len(concentrates(recipe(0.0, 0.0, 45.0), 1.0, 10.0)) == 1


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"hardness_from_calcium": -5.0}, "only adds"),
        ({"calcium_salt": "sodium_chloride"}, "not a known salt of calcium"),
        ({"alkalinity_salt": "chalk"}, "not a known salt of bicarbonate"),
        ({"alkalinity": float("nan")}, "only adds"),
    ],
)
def test_a_recipe_that_cannot_be_is_refused(wrong: dict[str, object], message: str) -> None:
    asked = {"hardness_from_calcium": 40.0, "hardness_from_magnesium": 0.0, "alkalinity": 40.0, **wrong}

    with pytest.raises(KettlestoneError, match=message):
        recipe(**asked)  # type: ignore[arg-type]  # wrong on purpose


@pytest.mark.parametrize("litres", [0.0, -1.0, float("nan")])
def test_no_volume_no_grams(litres: float) -> None:
    with pytest.raises(KettlestoneError, match="litres"):
        grams({"sodium_bicarbonate_mg_l": 75.5}, litres)
    with pytest.raises(KettlestoneError, match="ml_per_litre"):
        concentrates({"sodium_bicarbonate_mg_l": 75.5}, 1.0, litres)


def test_every_salt_can_be_dosed_and_the_examples_run() -> None:
    doses = {f"{salt}_mg_l": 10.0 for salt in SALTS}

    assert treat(pure(), "salt dosing", doses)["ph"].notna().all()
    assert doctest.testmod(remineralising).failed == 0
