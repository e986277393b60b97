"""The advice on a worked case, from the sheet as it was typed to the grams on the scales."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.mark.common_practice
def test_the_finer_count_of_a_day_and_its_pen_decide_the_salts(scenario_store: Callable[[str], Path]) -> None:
    """1 drop on 10 mL, 5 drops on 40 mL: 5 × 17.848 / 4 = 22.31 mg/L counts, and the pen's 38 ppm bounds the sodium.

    Alkalinity 45 needs (45 − 22.31) × 84.007 / 50.04 = 38.1 mg/L NaHCO3; hardness 60 needs (60 − 22.31) × 246.47 /
    100.09 = 92.8 mg/L MgSO4·7H2O: molar masses [IUPAC2021].
    """
    store = scenario_store("P6")

    result = CliRunner().invoke(main, ["advise", "P6 Wohnung", "--store", str(store), "--json"])

    advice = json.loads(result.stdout)
    assert advice["decision"] == "decided"
    assert advice["treatment"] == "salt dosing"
    doses = {name: value for name, value in advice["settings"].items() if name.endswith("_mg_l")}
    assert sorted(doses.values()) == pytest.approx([38.1, 92.8], rel=5e-3)
    # 8.8 mg/L of carbon dioxide turn 19.9 mg/L of chalk into hardness and alkalinity, and a little dissolves without.
    assert any("adds at most about 21 mg/L" in reason for reason in advice["reasons"])
    assert any(
        "copper test by a laboratory" in reason for reason in advice["reasons"]
    )  # the note names a copper boiler
