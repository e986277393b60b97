"""Whole cases of the trade: from the readings of a kit to the setting, the product and the days it lasts."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.treat.processes.remineralising import recipe
from pipeline.treat.processes.treatments import treat
from pipeline.treat.sizing.membrane import Membrane
from pipeline.treat.sizing.size import SizeFacts, size

pytestmark = pytest.mark.common_practice
DEGREE = 17.848  # mg/L as CaCO3 per °dH


def site(hardness: float, alkalinity: float, **more: float) -> pd.DataFrame:
    return pd.DataFrame([{"total_hardness_mg_l_caco3": hardness, "alkalinity_mg_l_caco3": alkalinity, **more}])


def test_a_cafe_with_a_decarboniser_in_service() -> None:
    """14 and 11 °dH, pH 7.4: past 4/11 the product has 7 and 4 °dH; at 3/11 it has 6 (107.1) and 3 (53.5)."""
    raw = site(14 * DEGREE, 11 * DEGREE, ph=7.4, conductivity_us_cm_25c=533.0)

    fitted = treat(raw, "decarboniser", {"bypass": 4 / 11}).iloc[0]
    advised = treat(raw, "decarboniser", {"bypass": 3 / 11})

    assert fitted["total_hardness_mg_l_caco3"] == pytest.approx(124.9, rel=0.005)
    assert fitted["alkalinity_mg_l_caco3"] == pytest.approx(71.4, rel=0.005)
    assert fitted["conductivity_us_cm_25c"] == pytest.approx(335.0, rel=0.05)  # the meter read 335
    assert advised["total_hardness_mg_l_caco3"].item() == pytest.approx(107.1, rel=0.005)
    assert advised["alkalinity_mg_l_caco3"].item() == pytest.approx(53.5, rel=0.005)
    sized = size(raw, advised, "decarboniser", SizeFacts(12000.0, litres_per_day=38.0))
    assert sized.litres.value == pytest.approx(1500.0, rel=0.005)
    assert sized.litres_with_reserve.value == pytest.approx(1275.0, rel=0.005)


def test_an_office_brewer_with_chlorine() -> None:
    """154.1 and 110 mg/L, past 60/110: hardness 104.1; 50 mg/L = 2.80 °dH a litre, 8000 litre degrees = 2856 L.

    The 0.56 mg/L of alkalinity that the chlorine takes on the carbon uses up no resin.
    """
    raw = site(154.1, 110.0, ph=7.9, free_chlorine_mg_l=0.8)

    product = treat(raw, "decarboniser", {"bypass": 60 / 110})

    assert product["total_hardness_mg_l_caco3"].item() == pytest.approx(104.1, rel=0.005)
    assert product["free_chlorine_mg_l"].item() == 0.0
    assert size(raw, product, "decarboniser", SizeFacts(8000.0)).litres.value == pytest.approx(2856.0, rel=0.001)


def test_a_bar_with_a_membrane() -> None:
    """320, 260 and chloride 41: 15 % raw water leaves hardness 61.5 and chloride 7.9."""
    raw = site(320.0, 260.0, ph=7.6, chloride_mg_l=41.0, conductivity_us_cm_25c=680.0)

    product = treat(raw, "reverse osmosis", {"bypass": 37 / 247})

    assert product["total_hardness_mg_l_caco3"].item() == pytest.approx(61.5, rel=0.005)
    assert product["chloride_mg_l"].item() == pytest.approx(7.9, rel=0.005)
    facts = SizeFacts(litres_per_day=90.0, bypass=37 / 247, membrane=Membrane(0.5))
    assert size(raw, product, "reverse osmosis", facts).waste_litres_per_day.value == pytest.approx(76.5, rel=0.005)


def test_a_laboratory_report_without_a_drain() -> None:
    """17.63 and 14.58 °dH past 3/14.58: hardness 108.1; 25 000/11.58 = 2159 L, 1835 with reserve, 26.2 days."""
    raw = pd.DataFrame([{"calcium_mg_l": 98.0, "magnesium_mg_l": 17.0, "sodium_mg_l": 21.0, "potassium_mg_l": 3.0,
                         "bicarbonate_mg_l": 317.3, "chloride_mg_l": 38.0, "sulfate_mg_l": 55.0,
                         "nitrate_mg_l": 14.0, "ph": 7.3}])  # fmt: skip

    product = treat(raw, "decarboniser", {"bypass": 3 / 14.58})

    assert product["total_hardness_mg_l_caco3"].item() == pytest.approx(108.1, rel=0.005)
    assert product["ph"].item() == pytest.approx(5.7, abs=0.05)
    sized = size(raw, product, "decarboniser", SizeFacts(25000.0, litres_per_day=70.0))
    assert sized.litres.value == pytest.approx(2159.0, rel=0.005)
    assert sized.litres_with_reserve.value == pytest.approx(1835.0, rel=0.005)
    assert sized.days.value == pytest.approx(26.2, rel=0.005)


def test_a_soft_water_for_a_copper_boiler() -> None:
    """22.3 each: 38.1 mg/L of NaHCO3 and 92.8 of MgSO4·7H2O make 60 and 45, +10.4 sodium, +36.2 sulfate.

    Chalk alone gives about 100.09/44.01 of the 8.8 mg/L of carbon dioxide: 19.9 mg/L, and a little that needs none.
    """
    raw = site(22.3, 22.3, ph=6.7, sulfate_mg_l=4.0, conductivity_us_cm_25c=76.0)
    doses = recipe(0.0, 37.7, 22.7)

    product = treat(raw, "salt dosing", doses).iloc[0]
    bed = treat(raw, "calcite contact").iloc[0]

    assert doses["sodium_bicarbonate_mg_l"] == pytest.approx(38.1, rel=0.005)
    assert doses["magnesium_sulfate_heptahydrate_mg_l"] == pytest.approx(92.8, rel=0.005)
    assert product["total_hardness_mg_l_caco3"] == pytest.approx(60.0)
    assert product["alkalinity_mg_l_caco3"] == pytest.approx(45.0)
    assert product["sodium_added_mg_l"] == pytest.approx(10.4, rel=0.005)
    assert product["sulfate_mg_l"] == pytest.approx(40.2, rel=0.005)
    assert -bed["alkalinity_removed_mg_l_caco3"] == pytest.approx(19.9, rel=0.05)
