"""Conductivity against ions: the limit, the direction rule, and what leaves it open."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from phreeqpython import PhreeqPython

from pipeline.checks.conductivity_from_ions import ConductivityFromIonsLimits, conductivity_from_ions
from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check
from pipeline.chemistry.conductance import carried
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.normalise.sample_table import SampleTable

    Build = Callable[..., SampleTable]

BAD = Path(__file__).parents[1] / "checks" / "cases" / "conductivity-from-ions" / "bad.csv"
HARD = {"ca": 80.0, "mg": 12.0, "na": 20.0, "k": 2.0, "hco3": 250.0, "cl": 36.0, "so4": 40.0, "no3": 10.0}


def observed(samples: SampleTable) -> pd.DataFrame:
    columns = conductivity_from_ions(samples, ConductivityFromIonsLimits())
    written = {name: column.tolist() if isinstance(column, TextColumn) else column for name, column in columns.items()}
    return pd.DataFrame(written).dropna(subset=["observed"])


@pytest.mark.source("PHREEQC3")
def test_expected_is_what_phreeqc_finds(waters: Build) -> None:
    """Live PHREEQC within 1 %; ± 8 % of it, above also what pairs hold back."""
    water = {"Ca": 80 / 40.078, "Mg": 12 / 24.305, "Na": 20 / 22.98977, "K": 2 / 39.0983, "S(6)": 40 / 96.0626,
             "Alkalinity": 250 / 61.0168, "Cl": 36 / 35.453, "N(5)": 10 / 62.0049}  # fmt: skip
    reference = PhreeqPython().add_solution({"units": "mmol/kgw", "temp": 25, "pH": 7.4, **water}).sc
    samples = waters(**HARD, ec=575.0)
    found = observed(samples).iloc[0]

    assert found["expected"] == pytest.approx(reference, rel=0.01)
    assert found["low"] == pytest.approx(found["expected"] * 0.92, abs=0.1)
    held = carried(samples.filled).held_by_pairs.item()
    assert found["high"] - found["expected"] == pytest.approx(np.hypot(0.08 * found["expected"], held), abs=0.1)
    assert found["balance_percent"] == pytest.approx(-1.715, abs=0.01)


@pytest.mark.source("APHA1030")
def test_the_direction_names_the_side(waters: Build) -> None:
    """Conductivity above or below the ions', with charges negative or positive: four sides of one mistake."""
    cases = pd.read_csv(BAD, comment="#", dtype="str", keep_default_na=False)
    names = {"ca": "calcium", "mg": "magnesium", "na": "sodium", "k": "potassium", "hco3": "bicarbonate",
             "cl": "chloride", "so4": "sulfate", "no3": "nitrate"}  # fmt: skip
    columns = {short: cases[f"{name}_mg_l"].astype(float).tolist() for short, name in names.items()}
    found = observed(waters(**columns, ec=cases["conductivity_us_cm_25c"].astype(float).tolist()))

    for said, expected in zip(found["suspect"], cases["suspect"], strict=True):
        assert said.startswith(expected)
    assert "601 µS/cm would fit" in found["alternative"].tolist()[4]  # 60.1 mS/m


def test_an_uncertain_titration_widens_what_is_allowed(waters: Build) -> None:
    narrow = observed(waters(**HARD, ec=601.0)).iloc[0]
    wide = observed(waters(**HARD, hco3__u=60.0, ec=601.0)).iloc[0]

    assert wide["high"] - wide["low"] > narrow["high"] - narrow["low"] + 20


def test_without_an_ion_or_with_a_computed_conductivity_it_is_not_evaluated(waters: Build) -> None:
    no_sodium = {name: value for name, value in HARD.items() if name != "na"}
    computed = waters(**HARD, ec=300.0, ec__method="calculated")

    assert observed(waters(**no_sodium, ec=300.0)).empty
    assert observed(computed).empty


def test_the_message_names_numbers_and_side(waters: Build) -> None:
    findings, _ = run_check(CHECKS["conductivity-from-ions"], waters(**HARD, ec=800.0), Limits())

    message = findings["message"].item()
    assert message.startswith("Conductivity 800 µS/cm, the ions carry 577 (530 to 629)")
    assert "a salt was not measured" in message
