"""Sizing against arithmetic in view."""

from __future__ import annotations

import doctest
import math
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from pipeline.errors import KettlestoneError
from pipeline.treat.advice import Range
from pipeline.treat.processes.treatments import treat
from pipeline.treat.sizing import capacity, membrane
from pipeline.treat.sizing.capacity import from_equivalents, to_equivalents
from pipeline.treat.sizing.membrane import Membrane, flow_factor
from pipeline.treat.sizing.size import SizeFacts, medium_load, size
from pipeline.words import LANGUAGES, say

if TYPE_CHECKING:
    from types import ModuleType

DEGREE = 17.848  # mg/L as CaCO3 per °dH


def kit(hardness: float, alkalinity: float, **more: float) -> pd.DataFrame:
    readings = {"total_hardness_mg_l_caco3": hardness * DEGREE, "alkalinity_mg_l_caco3": alkalinity * DEGREE}
    return pd.DataFrame([readings | more])


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(
    ("amount", "unit", "litre_degrees"),
    [
        (1.0, "eq", 2804.0),
        (1.0, "kg CaCO3", 56028.0),
        (1.0, "grains", 3.63),
        (1000.0, "litre °f", 560.0),
        (14000.0, "litre °dH", 14000.0),
    ],
)
def test_one_capacity_in_every_unit(amount: float, unit: str, litre_degrees: float) -> None:
    """1 eq = 50.04345 g CaCO3 = 28.0387 g CaO; a litre degree is 10 mg of CaO, a grain 64.79891 mg of CaCO3."""
    equivalents = to_equivalents(amount, unit)

    assert from_equivalents(equivalents, "litre °dH") == pytest.approx(litre_degrees, rel=0.001)
    assert from_equivalents(equivalents, unit) == pytest.approx(amount)


@pytest.mark.common_practice
def test_a_decarboniser_of_14000_litre_degrees_lasts_26_days() -> None:
    """14 000/10 = 1400 L, * 0.85 = 1190 L, / 45 = 26.4 days."""
    raw = kit(18, 14, ph=7.3)
    treated = treat(raw, "decarboniser", {"bypass": 4 / 14})

    sized = size(raw, treated, "decarboniser", SizeFacts(14000.0, "litre °dH", 45.0))

    assert sized.litres.value == pytest.approx(1400.0, rel=0.005)
    assert sized.litres_with_reserve.value == pytest.approx(1190.0, rel=0.005)
    assert sized.days.value == pytest.approx(26.4, rel=0.005)
    assert sized.change_every_days.value == pytest.approx(26.4, rel=0.005)
    assert sized.capacity_eq == pytest.approx(4.993, rel=0.001)
    assert math.isnan(sized.salt_kg_per_month.value)


@pytest.mark.common_practice
def test_what_is_left_of_a_cartridge_in_service() -> None:
    """11 to 4 °dH: 12 000/7 = 1714 L, * 0.85 = 1457 L; 1150 drawn leave 307 L, at 38 a day 8 days."""
    raw, treated = kit(14, 11), kit(7, 4)

    sized = size(raw, treated, "decarboniser", SizeFacts(12000.0, litres_per_day=38.0, litres_used=1150.0))

    assert sized.litres.value == pytest.approx(1714.0, rel=0.005)
    assert sized.litres_left.value == pytest.approx(307.0, rel=0.005)
    assert sized.days_left.value == pytest.approx(8.08, rel=0.005)


@pytest.mark.common_practice
def test_a_trend_of_readings_adds_up_to_the_rating() -> None:
    """A mean of 9.53 °dH over 1500 L is 14 290 litre degrees: a rating of 14 000 ends at 1469 L."""
    sized = size(kit(18, 14), kit(18 - 9.53, 14 - 9.53), "decarboniser", SizeFacts(14000.0))

    assert sized.litres.value == pytest.approx(14000.0 / 9.53, rel=0.001)
    assert math.isnan(sized.days.value)


@pytest.mark.common_practice
def test_a_softener_of_ten_litres_and_its_salt() -> None:
    """10 eq over 17.0 °dH: 1650 L. 500 L take 3.03 eq: 177 g of salt in theory, 333 g at 110 g/eq."""
    raw = pd.DataFrame(
        [{"calcium_mg_l": 128.0, "magnesium_mg_l": 17.7, "sodium_mg_l": 12.0, "bicarbonate_mg_l": 326.0}]
    )
    treated = treat(raw, "softener", {"bypass": 89.2 / 392.5})
    days = 365.25 / 12.0

    real = size(
        raw, treated, "softener", SizeFacts(10.0, "eq", 500.0 / days, resin_litres=10.0, peak_litres_per_minute=8.0)
    )
    theory = size(raw, treated, "softener", SizeFacts(10.0, "eq", 500.0 / days, salt_g_per_eq=58.443))

    assert real.litres.value == pytest.approx(1650.0, rel=0.005)
    assert real.salt_kg_per_month.value == pytest.approx(0.333, rel=0.005)
    assert theory.salt_kg_per_month.value == pytest.approx(0.177, rel=0.005)
    assert [note.code for note in real.notes] == ["size.too-fast"]  # 48 bed volumes an hour


@pytest.mark.common_practice
def test_a_day_of_a_membrane_with_its_blend() -> None:
    """90 L: 13.5 raw, 76.5 permeate; at 40 % 191 feed, 115 waste, 205 in all; 20 L/h are 12.8 at 10 °C: 6.0 h."""
    raw = kit(17.9, 14.6, ph=7.4)
    treated = treat(raw, "reverse osmosis", {"bypass": 0.15})
    facts = SizeFacts(litres_per_day=90.0, bypass=0.15, membrane=Membrane(0.4, 20.0, 10.0))

    sized = size(raw, treated, "reverse osmosis", facts)

    day = sized.membrane
    assert day is not None
    assert day.raw.value == pytest.approx(13.5)
    assert day.permeate.value == pytest.approx(76.5)
    assert day.feed.value == pytest.approx(191.0, rel=0.005)
    assert sized.waste_litres_per_day.value == pytest.approx(115.0, rel=0.005)
    assert day.total.value == pytest.approx(205.0, rel=0.005)
    assert day.litres_per_hour == pytest.approx(12.8, rel=0.005)
    assert day.hours.value == pytest.approx(6.0, rel=0.01)
    assert [note.code for note in sized.notes] == ["size.membrane-tank"]


@pytest.mark.common_practice
def test_cold_water_passes_a_membrane_slowly() -> None:
    """Three percent less per °C: 1.03^-15 = 0.642 at 10 °C."""
    assert flow_factor(25.0) == pytest.approx(1.0)
    assert flow_factor(10.0) == pytest.approx(0.642, abs=0.001)
    with pytest.raises(KettlestoneError, match="water_c"):
        flow_factor(60.0)


@pytest.mark.common_practice
def test_the_uncertainty_of_readings_becomes_a_range_of_days() -> None:
    """Alkalinity 14 ± 1 °dH with a fixed bypass of 2/7: 10 ± 0.714 °dH removed; 40 to 50 litres a day."""
    raw = pd.concat([kit(18, 14), kit(18, 13), kit(18, 15)], ignore_index=True)
    treated = treat(raw, "decarboniser", {"bypass": 2 / 7})

    facts = SizeFacts(14000.0, litres_per_day=Range(45.0, 40.0, 50.0, "litre/day"))
    sized = size(raw, treated, "decarboniser", facts)

    assert sized.litres.value == pytest.approx(1400.0, rel=0.001)
    assert sized.litres.low == pytest.approx(14000 / (15 * 5 / 7), rel=0.001)
    assert sized.litres.high == pytest.approx(14000 / (13 * 5 / 7), rel=0.001)
    assert sized.days.low == pytest.approx(sized.litres.low * 0.85 / 50.0)
    assert sized.days.high == pytest.approx(sized.litres.high * 0.85 / 40.0)


def test_hygiene_ends_a_life_that_is_longer() -> None:
    raw, treated = kit(10, 8), kit(6, 4)

    home = size(raw, treated, "decarboniser", SizeFacts(12000.0, litres_per_day=2.0))
    jug = size(raw, treated, "jug", SizeFacts(1000.0, litres_per_day=2.0, hygiene_cap_days=28.0))

    assert home.change_every_days.value == 180.0
    assert "size.hygiene" in {note.code for note in home.notes}
    assert jug.change_every_days.value == 28.0
    assert "size.in-tank" in {note.code for note in jug.notes}


def test_a_capacity_in_litres_of_another_water_is_taken_as_it_is_and_said() -> None:
    sized = size(kit(18, 14), kit(8, 4), "decarboniser", SizeFacts(1000.0, "litres", 10.0))

    assert sized.litres.value == 1000.0
    assert math.isnan(sized.capacity_eq)
    assert [note.code for note in sized.notes] == ["size.litres-as-rated"]


def test_a_medium_that_finds_nothing_has_no_life() -> None:
    softened = kit(0.0, 14.6)
    sized = size(softened, treat(softened, "decarboniser"), "decarboniser", SizeFacts(12000.0, litres_per_day=10.0))

    assert sized.litres.value == math.inf
    assert sized.change_every_days.value == 180.0
    assert "size.nothing-removed" in {note.code for note in sized.notes}


def test_a_demineraliser_is_used_up_by_all_cations() -> None:
    """1 meq/L each of calcium, magnesium, sodium and potassium are 200.2 mg/L as CaCO3."""
    raw = pd.DataFrame([{"calcium_mg_l": 20.039, "magnesium_mg_l": 12.1525, "sodium_mg_l": 22.98977,
                         "potassium_mg_l": 39.0983, "alkalinity_mg_l_caco3": 200.17}])  # fmt: skip
    treated = treat(raw, "demineraliser", {"removal": 1.0})

    assert medium_load(raw, treated, "demineraliser").item() == pytest.approx(4 * 50.04345)
    assert medium_load(raw, treat(raw, "magnesium exchanger", {"exchange": 1.0}), "magnesium exchanger").item() == (
        pytest.approx(50.04345)
    )


@pytest.mark.parametrize("name", ["carbon", "calcite contact", "none"])
def test_what_is_not_used_up_by_minerals_has_only_its_hygiene(name: str) -> None:
    raw = kit(10, 8)

    sized = size(raw, raw, name, SizeFacts(litres_per_day=5.0))

    assert math.isnan(sized.litres.value)
    assert sized.change_every_days.value == 180.0 or name == "none"
    with pytest.raises(KettlestoneError, match="nothing is used up"):
        medium_load(raw, raw, name)


@pytest.mark.parametrize(
    ("facts", "message"),
    [
        (SizeFacts(0.0), "capacity is 0"),
        (SizeFacts(-5.0), "capacity is -5"),
        (SizeFacts(10.0, "buckets"), 'unit "buckets"'),
        (SizeFacts(10.0, litres_per_day=0.0), "litres_per_day"),
        (SizeFacts(10.0, reserve=1.0), "reserve"),
        (SizeFacts(10.0, bypass=1.2), "bypass"),
        (SizeFacts(10.0, litres_used=-1.0), "litres_used"),
        (SizeFacts(10.0, hygiene_cap_days=0.0), "hygiene_cap_days"),
        (SizeFacts(10.0, salt_g_per_eq=-1.0), "salt_g_per_eq"),
    ],
)
def test_facts_that_cannot_be_are_refused(facts: SizeFacts, message: str) -> None:
    with pytest.raises(KettlestoneError, match=message):
        size(kit(18, 14), kit(8, 4), "decarboniser", facts)


def test_missing_readings_are_named() -> None:
    blind = pd.DataFrame([{"ph": 7.0}])

    with pytest.raises(KettlestoneError, match="hardness"):
        size(blind, blind, "softener", SizeFacts(10.0, "eq"))
    with pytest.raises(KettlestoneError, match="alkalinity"):
        size(blind, blind, "decarboniser", SizeFacts(10.0, "eq"))
    with pytest.raises(KettlestoneError, match="same rows"):
        size(blind, kit(1, 1).iloc[:0], "softener", SizeFacts(10.0, "eq"))
    with pytest.raises(KettlestoneError, match="not known"):
        size(blind, blind, "magnet", SizeFacts())


@pytest.mark.parametrize("unit", [Membrane(0.0), Membrane(1.0), Membrane(0.4, 0.0)])
def test_a_membrane_that_cannot_be_is_refused(unit: Membrane) -> None:
    raw = kit(18, 14)

    with pytest.raises(KettlestoneError, match=r"recovery|rated_litres_per_hour"):
        size(raw, raw, "reverse osmosis", SizeFacts(litres_per_day=90.0, membrane=unit))


def test_every_note_can_be_said() -> None:
    raw, treated = kit(10, 8), kit(6, 4)
    facts = SizeFacts(1e6, "litres", 2.0, resin_litres=0.5, peak_litres_per_minute=2.0)

    notes = size(raw, treated, "tank cartridge", facts).notes

    assert {"size.litres-as-rated", "size.hygiene", "size.in-tank", "size.too-fast"} == {note.code for note in notes}
    for language in LANGUAGES:
        assert all(say(note, language) for note in notes)


@pytest.mark.parametrize("module", [capacity, membrane])
def test_examples_run(module: ModuleType) -> None:
    assert doctest.testmod(module).failed == 0


@pytest.mark.common_practice
def test_raw_and_treated_water_need_not_bear_the_same_label() -> None:
    """250 - 89 = 161 mg/L = 9.02 °dH of alkalinity are taken out: 12 000 / 9.02 = 1330 L."""
    raw, treated = kit(15, 250 / DEGREE), kit(6, 89 / DEGREE)

    sized = size(raw.set_axis(["R-1"]), treated.set_axis(["T-1"]), "decarboniser", SizeFacts(12000.0, "litre °dH"))

    assert sized.litres.value == pytest.approx(1330.0, rel=0.002)
