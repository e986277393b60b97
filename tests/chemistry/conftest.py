"""Waters and the reference engine shared by the chemistry tests."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import phreeqpython
import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable

DATA = Path(__file__).parent / "data"
# Molar masses the reference files were made with; they are the IUPAC values.
COLUMNS = {
    "Ca_mgL": "calcium_mg_l", "Mg_mgL": "magnesium_mg_l", "Na_mgL": "sodium_mg_l", "K_mgL": "potassium_mg_l",
    "alk_mgL_HCO3": "bicarbonate_mg_l", "SO4_mgL": "sulfate_mg_l", "Cl_mgL": "chloride_mg_l",
    "SiO2_mgL": "silica_mg_l", "NO3_mgL": "nitrate_mg_l",
}  # fmt: skip
ELEMENTS = {
    "calcium_mg_l": ("Ca", 40.078), "magnesium_mg_l": ("Mg", 24.305), "sodium_mg_l": ("Na", 22.98977),
    "potassium_mg_l": ("K", 39.0983), "sulfate_mg_l": ("S(6)", 96.0626), "chloride_mg_l": ("Cl", 35.453),
    "silica_mg_l": ("Si", 60.0843), "nitrate_mg_l": ("N(5)", 62.0049),
    "bicarbonate_mg_l": ("Alkalinity", 61.0168),
}  # fmt: skip
PUNCH = """SELECTED_OUTPUT
-reset false
-high_precision true
USER_PUNCH
-headings row ph strength calcite anhydrite silica calcium gas
10 PUNCH CELL_NO, -LA("H+"), MU, SI("Calcite"), SI("Anhydrite"), SI("SiO2(a)"), TOT("Ca"), SI("CO2(g)")
END
"""


def _waters(name: str, ph: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    reference = pd.read_csv(DATA / name, comment="#")
    waters = reference[list(COLUMNS)].rename(columns=COLUMNS).astype("float64")
    return waters.assign(ph=reference[ph], temperature_c=25.0), reference


@pytest.fixture(scope="session")
def reference_waters() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Forty waters of 5–95 °C, and what PHREEQC finds in them."""
    waters, reference = _waters("phreeqc_waters.csv", "pH")
    return waters.assign(temperature_c=reference["T_C"].astype("float64")), reference


@pytest.fixture(scope="session")
def heated_waters() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ten waters of 25 °C, and what PHREEQC finds when they are heated."""
    return _waters("phreeqc_heated.csv", "pH_25")


@pytest.fixture
def two_waters() -> pd.DataFrame:
    """Give a hard and a soft drinking water, mg/L."""
    ions = (
        "calcium",
        "magnesium",
        "sodium",
        "potassium",
        "bicarbonate",
        "sulfate",
        "chloride",
        "silica",
        "nitrate",
    )
    hard = [80.0, 12.0, 20.0, 2.0, 250.0, 40.0, 36.0, 12.0, 10.0]
    soft = [24.0, 6.0, 12.0, 1.5, 85.0, 18.0, 14.0, 6.0, 4.0]
    waters = pd.DataFrame([hard, soft], columns=[f"{ion}_mg_l" for ion in ions], index=["hard", "soft"])
    return waters.assign(temperature_c=25.0, ph=[7.40, 7.80])


@pytest.fixture(scope="session")
def random_waters() -> pd.DataFrame:
    """Three hundred balanced waters of 5–95 °C from a fixed seed, much wider than tap water."""
    random, count = np.random.default_rng(20260514), 300
    spread = {"calcium": (2, 200), "magnesium": (0.5, 70), "potassium": (0.2, 20), "bicarbonate": (20, 500),
              "sulfate": (1, 350), "nitrate": (0.5, 60), "silica": (0.5, 45)}  # fmt: skip
    waters = pd.DataFrame(
        {
            f"{ion}_mg_l": np.exp(random.uniform(np.log(limits[0]), np.log(limits[1]), count))
            for ion, limits in spread.items()
        }
    )
    per_meq = {"calcium": 20.039, "magnesium": 12.1525, "potassium": 39.0983, "bicarbonate": -61.0168,
               "sulfate": -48.0313, "nitrate": -62.0049}  # fmt: skip
    excess = sum((waters[f"{ion}_mg_l"] / mass for ion, mass in per_meq.items()), start=pd.Series(0.0, waters.index))
    salt = random.uniform(0.1, 3.0, count)  # meq/L of sodium chloride besides what closes the balance
    waters["sodium_mg_l"] = 22.98977 * (salt + (-excess).clip(lower=0.0))
    waters["chloride_mg_l"] = 35.453 * (salt + excess.clip(lower=0.0))
    return waters.assign(ph=random.uniform(6.2, 9.0, count), temperature_c=random.uniform(5.0, 95.0, count))


def _solution(row: int, water: dict[Hashable, float]) -> str:
    amounts = [f"{name} {water[column] / mass:.12g}" for column, (name, mass) in ELEMENTS.items() if water[column] > 0]
    head = f"SOLUTION {row}\nunits mmol/kgw\ntemp {water['temperature_c']:.12g}\npH {water['ph']:.12g}\n"
    return head + "\n".join(amounts) + "\nEND\n"


def _heated(row: int, temperature_c: float, pressure_atm: float) -> str:
    to = f"REACTION_TEMPERATURE {row}\n{temperature_c:.12g}\nREACTION_PRESSURE {row}\n{pressure_atm:.12g}\n"
    once = f"USE solution {row}\n{to}SAVE solution {row}\nEND\n"
    return f"{once}USE solution {row}\n{to}EQUILIBRIUM_PHASES {row}\nCalcite 0 10\nEND\n"


@pytest.fixture(scope="session")
def phreeqc() -> Callable[[pd.DataFrame, np.ndarray, np.ndarray], list[pd.DataFrame]]:
    """Heat waters closed with PHREEQC: as sampled, heated, and then with calcite; one frame of each."""
    engine = phreeqpython.PhreeqPython(database="phreeqc.dat")

    def run(waters: pd.DataFrame, temperature_c: np.ndarray, pressure_atm: np.ndarray) -> list[pd.DataFrame]:
        targets = zip(waters.to_dict("records"), temperature_c, pressure_atm, strict=True)
        parts = [_solution(row, water) + _heated(row, hot, press) for row, (water, hot, press) in enumerate(targets)]
        engine.ip.run_string(PUNCH + "".join(parts))
        names, *lines = engine.ip.get_selected_output_array()
        table = pd.DataFrame(lines, columns=names).astype("float64")
        return [table.iloc[stage::3].set_index(waters.index) for stage in range(3)]

    return run
