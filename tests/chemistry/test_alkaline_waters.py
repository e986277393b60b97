"""Lime-softened waters and waters of fresh cement, to pH 12: most of their alkalinity is hydroxide."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.chemistry.carbonate import speciate
from pipeline.chemistry.heating import heat
from pipeline.chemistry.saturation import saturate

if TYPE_CHECKING:
    from collections.abc import Callable

    Phreeqc = Callable[[pd.DataFrame, np.ndarray, np.ndarray], list[pd.DataFrame]]

# pH, alkalinity [meq/L], calcium [mg/L], magnesium [mg/L], °C: a lime softener's outlet, then mortar-lined pipes.
WATERS = (
    (10.2, 0.9, 18.0, 6.0, 12.0), (10.8, 1.4, 24.0, 3.0, 15.0), (11.0, 2.0, 35.0, 1.0, 25.0),
    (11.3, 3.4, 60.0, 0.5, 20.0), (11.6, 5.6, 110.0, 0.2, 25.0), (11.8, 8.4, 160.0, 0.1, 20.0),
    (12.0, 13.0, 250.0, 0.1, 25.0), (12.0, 12.6, 20.0, 0.1, 25.0),
)  # fmt: skip


@pytest.fixture(scope="module")
def alkaline() -> pd.DataFrame:
    """Give the waters, mg/L; sodium or chloride closes the balance."""
    waters = pd.DataFrame(WATERS, columns=["ph", "meq", "calcium_mg_l", "magnesium_mg_l", "temperature_c"])
    lack = waters["meq"] + 0.3 - waters["calcium_mg_l"] / 20.039 - waters["magnesium_mg_l"] / 12.1525
    return waters.drop(columns="meq").assign(
        bicarbonate_mg_l=61.0168 * waters["meq"], potassium_mg_l=1.0, nitrate_mg_l=0.5, silica_mg_l=2.0,
        sulfate_mg_l=0.3 * 48.0313, sodium_mg_l=22.98977 * (0.2 + lack.clip(lower=0.0)),
        chloride_mg_l=35.453 * (0.2 - lack.clip(upper=0.0)),
    )  # fmt: skip


@pytest.mark.source("PHREEQC3")
def test_alkaline_waters_agree_with_live_phreeqc(alkaline: pd.DataFrame, phreeqc: Phreeqc) -> None:
    """Indices, carbon dioxide and the potential of calcite as sampled; pH and index when heated to 90 °C."""
    count = len(alkaline)
    sampled, hot, _ = phreeqc(alkaline, np.full(count, 90.0), np.ones(count))
    *_, saturated = phreeqc(alkaline, alkaline["temperature_c"].to_numpy(), np.ones(count))

    result, heated = saturate(alkaline), heat(alkaline, 90.0, "closed")

    assert result["converged"].all()
    assert heated["converged"].all()
    assert (result["calcite_si"] - sampled["calcite"]).abs().max() <= 1e-3
    assert (result["ionic_strength_mol_kg"] / sampled["strength"] - 1.0).abs().max() <= 1e-3
    assert (speciate(alkaline)["log_pco2_atm"] - sampled["gas"]).abs().max() <= 2e-3
    dropped = (alkaline["calcium_mg_l"] / 40.078 - 1e3 * saturated["calcium"]) * 100.0869
    assert (result["ccpp_mg_l_caco3"] - dropped).abs().max() <= 0.1
    assert (heated["ph"] - hot["ph"]).abs().max() <= 1e-3
    assert (heated["calcite_si"] - hot["calcite"]).abs().max() <= 1e-3
