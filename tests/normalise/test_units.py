"""Units against definitions; spellings that other software takes for something else are refused."""

from __future__ import annotations

from functools import cache

import pytest
import ucumvert
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.chemistry.equivalents import MG_CACO3_PER_DEGREE
from pipeline.normalise.units import resolve
from pipeline.notation.vocabulary import spelled, units


@cache
def ucum_registry() -> ucumvert.PintUcumRegistry:
    """Build the registry of UCUM units once; it takes half a second."""
    return ucumvert.PintUcumRegistry()


# [IUPAC2021] CaO 56.0774, CaCO3 100.0869 g/mol; grain 64.79891 mg, gallons 4.54609 and 3.785411784 L, exact.
DEGREES = {"°dH": 17.848, "°f": 10.0, "°Clark": 14.254, "gpg": 17.118, "mmol/L": 100.09, "meq/L": 50.043}


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(("unit", "mg_l"), DEGREES.items())
def test_a_degree_of_hardness_is_what_its_definition_says(unit: str, mg_l: float) -> None:
    factor = resolve("total_hardness", unit, "").factor

    assert factor == pytest.approx(mg_l, rel=1e-4)
    assert factor == pytest.approx(MG_CACO3_PER_DEGREE.get(unit, factor), rel=1e-6)


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(
    ("analyte", "value", "unit", "mg_l"),
    [
        ("total_hardness", 7, "°dH", 124.94),
        ("total_hardness", 10, "gpg", 171.18),
        ("alkalinity", 250, "mg/L as HCO3", 205.04),
        ("alkalinity", 4.0972, "meq/L", 205.04),
        ("total_hardness", 15, "Clark", 213.81),
        ("alkalinity", 5.20, "mmol/l", 260.2),
        ("magnesium_hardness", 10, "mg/L as Mg", 41.180),
        ("nitrate", 1, "mg/L as N", 4.4268),
        ("sulfate", 1, "mg/L as S", 2.9959),
        ("silica", 1, "mg/L as Si", 2.1393),
        ("phosphate", 1, "mg/L as P", 3.0662),
        ("phosphate", 1, "mg/L as P2O5", 2 * 94.971 / 141.943),  # two P in each
        ("ammonium", 1, "mg/l NH3", 18.039 / 17.031),
        ("lead", 800, "ng/L", 0.0008),
        ("calcium", 0.002, "mol/L", 80.156),
        ("calcium", 4, "meq/L", 80.156),
        ("magnesium", 0.41144, "mmol/L", 10.0),
        ("iron", 120, "µg/l", 0.12),
        ("total_hardness", 100, "mg/L CaO", 178.48),
        ("total_hardness", 40.078, "mg/l Ca", 100.0869),
    ],
)
def test_a_value_in_the_units_of_its_country_becomes_mg_per_litre(
    analyte: str, value: float, unit: str, mg_l: float
) -> None:
    found = resolve(analyte, unit, "")

    assert value * found.factor == pytest.approx(mg_l, rel=2e-4)
    assert found.unit == "mg/L"


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("unit", "factor"),
    [
        ("mS/cm", 1000),
        ("dS/m", 1000),
        ("mS/m", 10),
        ("S/m", 10000),
        ("S/cm", 1e6),
        ("µS/m", 0.01),
        ("µS/cm", 1),
        ("μS/cm", 1),
        ("umho/cm", 1),
    ],
)
def test_a_conductivity_becomes_microsiemens_per_centimetre(unit: str, factor: float) -> None:
    assert resolve("conductivity", unit, "").factor == pytest.approx(factor)


def test_a_unit_may_name_its_reference_temperature() -> None:
    assert resolve("conductivity", "µS/cm @20C", "").temperature_c == 20.0


def test_degrees_fahrenheit_have_an_offset() -> None:
    found = resolve("temperature", "°F", "")

    assert 50 * found.factor + found.offset == pytest.approx(10.0)


@pytest.mark.parametrize("text", ["GH", "KH", "ppt", "N", "mg/1", "us", "deg", "gr", "°", "MG/L/day", "tons/day"])
def test_what_other_software_takes_for_a_unit_is_a_problem(text: str) -> None:
    """A units library reads GH as gigahenry and ppt as pico-pint; here only the exact table counts."""
    assert resolve("total_hardness", text, "").problem in ("unit-unknown", "unit-ambiguous")


def test_a_unit_of_another_quantity_is_a_problem() -> None:
    assert resolve("ph", "mg/L", "").problem == "unit-unknown"
    assert resolve("conductivity", "mg/L", "").problem == "unit-unknown"


def test_only_ph_needs_no_unit() -> None:
    assert resolve("ph", "", "").problem == ""
    assert resolve("alkalinity", "", "").problem == "unit-missing"


def test_a_bare_ppm_is_accepted_for_hardness_and_doubtful_for_alkalinity() -> None:
    assert resolve("total_hardness", "ppm", "").ambiguous == ""
    assert "as HCO3" in resolve("alkalinity", "ppm", "").ambiguous


def test_the_ppm_of_a_kit_is_doubtful_for_calcium_and_the_mg_of_a_laboratory_is_not() -> None:
    assert "as CaCO3" in resolve("calcium", "ppm", "").ambiguous
    assert resolve("calcium", "mg/L", "").ambiguous == ""


@pytest.mark.parametrize(
    ("analyte", "unit"),
    [
        ("chloride", "mg/L as N"),
        ("total_hardness", "mg/L as N"),
        ("total_hardness", "mg/L as Cl"),
        ("calcium", "mg/L as Mg"),
        ("nitrate", "mg/L as Si"),
        ("iron", "meq/L"),
        ("calcium", "°C"),
        ("silica", "mg/L, as gold"),
    ],
)
def test_a_form_of_another_element_is_a_problem(analyte: str, unit: str) -> None:
    assert resolve(analyte, unit, "").problem == "unit-unknown"


def test_a_form_that_nobody_knows_is_a_problem() -> None:
    assert resolve("silica", "mg/L", "as gold").problem == "unit-unknown"


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(
    ("analyte", "unit", "factor", "basis"),
    [
        ("chloride", "mg/L as CaCO3", 35.453 / 50.04345, "as ion"),
        ("calcium", "mg/L as CaO", 40.078 / 56.0774, "as ion"),
        ("bicarbonate", "mg/L as CaCO3", 61.0168 / 50.04345, "as ion"),
        ("free_chlorine", "mg/L Cl", 1.0, "as Cl2"),
        ("copper", "mg/L Cu", 1.0, "as ion"),
        ("copper", "µmol/l", 0.063546, "as ion"),
        ("total_nitrogen", "mg/L as N", 1.0, "as N"),
        ("nitrate_nitrite", "mg/l N", 1.0, "as N"),
        ("nitrite", "mg/L as N", 46.0055 / 14.0067, "as NO2"),
        ("noncarbonate_hardness", "°dH", 17.848, "as CaCO3"),
        ("toc", "mg/L C", 1.0, "as C"),
        ("oxygen", "mg/l O2", 1.0, "as O2"),
    ],
)
def test_a_form_is_converted_to_the_canonical_one_or_kept(analyte: str, unit: str, factor: float, basis: str) -> None:
    found = resolve(analyte, unit, "")

    assert found.factor == pytest.approx(factor, rel=1e-4)
    assert found.basis == basis


@pytest.mark.parametrize(
    ("analyte", "text", "unit"),
    [("base_capacity", "mmol/l", "mmol/L"), ("base_capacity", "mval/l", "meq/L"), ("redox", "mV", "mV")],
)
def test_a_quantity_without_a_column_keeps_its_unit(analyte: str, text: str, unit: str) -> None:
    found = resolve(analyte, text, "")

    assert (found.factor, found.unit) == (1.0, unit)


def test_every_spelling_of_the_table_has_a_meaning() -> None:
    """Each for some quantity; drops only count in a column of drops."""
    texts = [text for unit in units().values() if unit.code != "drops" for text in (*unit.spellings, *unit.exact)]
    analytes = ["total_hardness", "conductivity", "temperature", "ph", "turbidity", "redox", "calcium"]

    dead = [text for text in texts if all(resolve(analyte, text, "").problem for analyte in analytes)]

    assert dead == []


@pytest.mark.source("ISO7027")
def test_attenuation_units_count_as_turbidity_and_are_remarked_upon() -> None:
    """Both scales are set on formazin suspensions; on a real water they differ, so a person is told."""
    found = resolve("turbidity", "FAU", "")

    assert (found.factor, found.unit) == (1.0, "NTU")
    assert "formazin" in found.ambiguous
    assert resolve("turbidity", "FNU", "").ambiguous == ""
    assert resolve("calcium", "FAU", "").problem == "unit-unknown"


@pytest.mark.parametrize(
    ("analyte", "text", "meaning"),
    [
        ("total_hardness", "meq", "in the whole sample"),
        ("total_hardness", "度", "turbidity"),
        ("turbidity", "度", "hardness"),
    ],
)
def test_a_unit_of_several_meanings_is_not_chosen_and_its_meanings_are_told(
    analyte: str, text: str, meaning: str
) -> None:
    found = resolve(analyte, text, "")

    assert found.problem == "unit-ambiguous"
    assert meaning in found.detail


def test_a_unit_of_another_quantity_is_named_as_such() -> None:
    """The message must not call a per cent sign a unit that this quantity merely lacks."""
    assert resolve("sulfate", "%", "").detail == '"%" does not measure sulfate'


def test_an_unknown_unit_names_its_nearest_spelling_and_is_not_taken() -> None:
    found = resolve("chloride", "mg/lt", "")

    assert found.problem == "unit-unknown"
    assert "did you mean" in found.detail


def test_folding_makes_no_two_units_equal() -> None:
    """°F alone may be French or Fahrenheit; the quantity decides. No other spelling has two codes."""
    shared = {codes for codes in spelled().values() if len(codes) > 1}

    assert shared == {("deg-french", "degF")}


@pytest.mark.source("UCUM")
@pytest.mark.parametrize(
    ("ucum", "spelling", "analyte"),
    [
        ("mg/L", "mg/l", "chloride"),
        ("ug/L", "µg/l", "chloride"),
        ("g/L", "g/l", "chloride"),
        ("[gr]/[gal_us]", "gpg", "total_hardness"),
    ],
)
def test_our_mass_factors_agree_with_ucum(ucum: str, spelling: str, analyte: str) -> None:
    expected = ucum_registry().from_ucum(ucum).to("mg/L").magnitude

    assert resolve(analyte, spelling, "").factor == pytest.approx(expected, rel=1e-9)


@settings(max_examples=25)
@given(st.floats(0.01, 1e4), st.sampled_from(["°dH", "°f", "gpg", "mmol/L", "meq/L", "°Clark"]))
def test_there_and_back_is_the_same_hardness(value: float, unit: str) -> None:
    there = value * resolve("total_hardness", unit, "").factor

    assert there / resolve("total_hardness", unit, "").factor == pytest.approx(value, rel=1e-12)
