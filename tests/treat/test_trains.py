"""Treatments in a row: named in eight languages, predicted stage by stage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import phreeqpython
import pytest

from pipeline.checks.treatment_names import JOINT, TRAINS
from pipeline.treat.processes.naming import some_filter, treatment_meant
from pipeline.treat.processes.trains import main_stage, stages_of
from pipeline.treat.processes.treatments import TREATMENTS, treat

RAW = pd.DataFrame(
    [
        {"calcium_mg_l": 98.0, "magnesium_mg_l": 17.0, "sodium_mg_l": 25.0, "potassium_mg_l": 3.0, "sulfate_mg_l": 55.0,
         "chloride_mg_l": 42.0, "silica_mg_l": 12.0, "nitrate_mg_l": 14.0, "alkalinity_mg_l_caco3": 260.0, "ph": 7.3,
         "temperature_c": 14.0}
    ]
)  # fmt: skip
SHOWN = ["total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3", "sodium_mg_l", "chloride_mg_l", "ph"]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("RO + mineral cartridge", "reverse osmosis + remineraliser"),
        ("reverse osmosis with remineralisation", "reverse osmosis + remineraliser"),
        ("Umkehrosmose mit Aufhärtung", "reverse osmosis + remineraliser"),
        ("osmose inverse et cartouche de minéralisation", "reverse osmosis + remineraliser"),
        ("osmosi inversa con rimineralizzazione", "reverse osmosis + remineraliser"),
        ("Ósmosis inversa con cartucho mineral", "reverse osmosis + remineraliser"),
        ("omgekeerde osmose met mineraalpatroon", "reverse osmosis + remineraliser"),
        ("逆浸透+ミネラル添加", "reverse osmosis + remineraliser"),
        ("反渗透+矿化滤芯", "reverse osmosis + remineraliser"),
        ("Umkehrosmose hinter Enthärter", "softener + reverse osmosis"),
        ("adoucisseur puis osmoseur", "softener + reverse osmosis"),
        ("carbon block, then softener", "carbon + softener"),
        ("charbon actif + adoucisseur + osmoseur", "carbon + softener + reverse osmosis"),
        ("Vollentsalzung mit Mineralkartusche", "demineraliser + remineraliser"),
        ("decarboniser", "decarboniser"),
        ("Entkarbonisierer", "decarboniser"),
        ("membrane", "reverse osmosis"),
        ("waterontharder", "softener"),
        ("活性炭", "carbon"),
        ("ohne", "none"),
        ("Wasserfilter", ""),
        ("magic stone", ""),
    ],
)
def test_trains_are_read_whatever_the_order_of_their_words(text: str, meant: str) -> None:
    assert treatment_meant(text) == meant
    assert meant in TREATMENTS or meant == ""


@pytest.mark.parametrize("text", ["Wasserfilter", "water filter", "filtre à eau", "filtro acqua", "浄水器"])
def test_some_filter_is_asked_about(text: str) -> None:
    assert some_filter(text)
    assert not some_filter("Aktivkohlefilter")


@pytest.mark.parametrize("train", [JOINT.join(stages) for stages in TRAINS if "magnesium exchanger" not in stages])
def test_a_train_is_its_stages_one_after_the_other(train: str) -> None:
    water = RAW
    for stage in stages_of(train):
        water = treat(water.drop(columns=["reason", "assumption"], errors="ignore"), stage)

    whole = treat(RAW, train)

    assert np.allclose(whole[SHOWN], water[SHOWN], atol=0.02)


def test_the_bypass_of_a_train_goes_round_its_main_stage() -> None:
    """A quarter of raw water round the membrane, then minerals: (1 - 0.25)·0.05 + 0.25 of every salt, and 25 mg/L."""
    train = "reverse osmosis + remineraliser"

    mixed = treat(RAW, train, {"bypass": 0.25, "added_mg_l_caco3": 25.0}).iloc[0]

    assert main_stage(train) == "reverse osmosis"
    assert mixed["chloride_mg_l"] == pytest.approx(42.0 * (0.75 * 0.05 + 0.25), rel=1e-3)
    assert mixed["alkalinity_mg_l_caco3"] == pytest.approx(260.0 * 0.2875 + 25.0, rel=1e-3)


@pytest.mark.source("PHREEQC3")
def test_minerals_behind_a_membrane_are_what_phreeqc_makes_of_chalk_in_its_permeate() -> None:
    """PHREEQC: 25 mg/L of calcite, 0.24978 mmol, dissolved in the permeate; all carbon dioxide kept."""
    permeate = treat(RAW, "reverse osmosis", {"rejection_silica": 0.95}).iloc[0]
    amounts = {"Ca": ("calcium_mg_l", 40.078), "Mg": ("magnesium_mg_l", 24.305), "Na": ("sodium_mg_l", 22.98977),
               "K": ("potassium_mg_l", 39.0983), "S(6)": ("sulfate_mg_l", 96.0626), "Cl": ("chloride_mg_l", 35.453),
               "N(5)": ("nitrate_mg_l", 62.0049), "Alkalinity": ("alkalinity_mg_l_caco3", 50.04345)}  # fmt: skip
    engine = phreeqpython.PhreeqPython(database="phreeqc.dat")
    lines = [f"{name} {permeate[column] / mass:.12g}" for name, (column, mass) in amounts.items()]
    engine.ip.run_string(
        "SELECTED_OUTPUT\n-reset false\n-high_precision true\nUSER_PUNCH\n-headings ph ca\n"
        '10 PUNCH -LA("H+"), TOT("Ca")\nEND\n'
        f"SOLUTION 1\nunits mmol/kgw\ntemp 14\npH {permeate['ph']:.12g}\n" + "\n".join(lines) + "\nEND\n"
        f"USE solution 1\nREACTION 1\nCaCO3 1\n{25.0 / 100.0869:.9g} mmoles\nEND\n"
    )
    ph, calcium = engine.ip.get_selected_output_array()[-1]

    train = treat(RAW, "reverse osmosis + remineraliser", {"rejection_silica": 0.95}).iloc[0]

    assert train["ph"] == pytest.approx(ph, abs=0.01)
    assert train["calcium_mg_l"] == pytest.approx(calcium * 40078.0, rel=0.005)
