"""Waters as taps, wells and treatments give them: drawn from what rocks and farming dissolve, speciated by PHREEQC.

Nothing here comes from the code under test: the pH, the alkalinity and the conductivity of every water are
PHREEQC's own (``phreeqc.dat``, its specific conductance from diffusion coefficients), so that the record can
contradict a model of ours.

Amounts are log-normal; their medians and spreads give total hardness from 0.2 to 12 mmol/L, the range of the
published hardness classes [WHO2011, USGSHARD], sodium and chloride of tens of mg/L, and a carbon dioxide
pressure between air and a soil, log pCO2 −3.4 to −1.5 [AP2005]. Dissolution of whole minerals makes the ions
go together as they do in nature [HEM1985].
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import phreeqpython

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Floats


MOLAR_MASS: Final = {  # g/mol [IUPAC2021]
    "calcium": 40.078, "magnesium": 24.305, "sodium": 22.98977, "potassium": 39.0983, "chloride": 35.453,
    "sulfate": 96.0626, "nitrate": 62.0049, "silica": 60.0843, "bicarbonate": 61.0168,
}  # fmt: skip
CACO3: Final = 100.0869  # g/mol [IUPAC2021]
ELEMENT: Final = {
    "calcium": "Ca", "magnesium": "Mg", "sodium": "Na", "potassium": "K", "chloride": "Cl", "sulfate": "S(6)",
    "nitrate": "N(5)", "silica": "Si",
}  # fmt: skip
# What one mmol of each source dissolves to [mmol].
MINERALS: Final[dict[str, dict[str, float]]] = {
    "calcite": {"calcium": 1.0},
    "dolomite": {"calcium": 1.0, "magnesium": 1.0},
    "gypsum": {"calcium": 1.0, "sulfate": 1.0},
    "halite": {"sodium": 1.0, "chloride": 1.0},
    "sodium silicate": {"sodium": 1.0, "silica": 1.0},
    "potash": {"potassium": 1.0, "chloride": 1.0},
    "fertiliser": {"calcium": 0.5, "nitrate": 1.0},
    "quartz": {"silica": 1.0},
}
# Median [mmol/L] and spread (standard deviation of the logarithm) of every source, by kind of water; share of kinds.
KINDS: Final[dict[str, tuple[float, dict[str, tuple[float, float]]]]] = {
    "calcareous": (
        0.58,
        {"calcite": (1.1, 0.6), "dolomite": (0.35, 0.7), "gypsum": (0.18, 0.9), "halite": (0.6, 0.8),
         "sodium silicate": (0.12, 0.8), "potash": (0.05, 0.5), "fertiliser": (0.12, 0.9), "quartz": (0.12, 0.5)},
    ),
    "soft": (
        0.14,
        {"calcite": (0.2, 0.5), "dolomite": (0.05, 0.6), "gypsum": (0.05, 0.7), "halite": (0.2, 0.7),
         "sodium silicate": (0.1, 0.6), "potash": (0.02, 0.5), "fertiliser": (0.03, 0.8), "quartz": (0.1, 0.5)},
    ),
    "gypsum": (
        0.09,
        {"calcite": (1.4, 0.4), "dolomite": (0.5, 0.5), "gypsum": (1.8, 0.5), "halite": (0.8, 0.7),
         "sodium silicate": (0.1, 0.6), "potash": (0.08, 0.5), "fertiliser": (0.1, 0.8), "quartz": (0.15, 0.4)},
    ),
    "near-pure": (
        0.04,
        {"calcite": (0.05, 0.5), "dolomite": (0.01, 0.5), "gypsum": (0.006, 0.5), "halite": (0.04, 0.5),
         "sodium silicate": (0.02, 0.5), "potash": (0.004, 0.5), "fertiliser": (0.004, 0.5), "quartz": (0.02, 0.5)},
    ),
    "softened": (
        0.10,
        {"calcite": (1.4, 0.4), "dolomite": (0.4, 0.5), "gypsum": (0.2, 0.7), "halite": (0.6, 0.7),
         "sodium silicate": (0.1, 0.6), "potash": (0.05, 0.5), "fertiliser": (0.1, 0.8), "quartz": (0.12, 0.4)},
    ),
    "soda": (
        0.05,
        {"calcite": (0.3, 0.4), "dolomite": (0.1, 0.5), "gypsum": (0.08, 0.6), "halite": (0.7, 0.7),
         "sodium silicate": (3.5, 0.35), "potash": (0.05, 0.5), "fertiliser": (0.01, 0.5), "quartz": (0.05, 0.4)},
    ),
}  # fmt: skip
_MOST_SILICA: Final = 1.0  # mmol/L; more would not stay in solution [HEM1985]
_LOG_PCO2: Final = (-3.2, -1.6)  # [AP2005]
_PUNCH: Final = """SELECTED_OUTPUT
-reset false
-high_precision true
USER_PUNCH
-headings ph alkalinity conductance
10 PUNCH -LA("H+"), ALK, SC
END
"""


def draw(count: int, random: np.random.Generator) -> pd.DataFrame:
    """Draw waters.

    Parameters
    ----------
    count : how many.
    random : source of chance.

    Returns
    -------
    (count, …) frame: ions [mg/L], `total_hardness` and `alkalinity` [mg/L as CaCO3], `ph` and `temperature` as
    sampled, `conductivity` at 25 °C [µS/cm], `kind`.
    """
    names = list(KINDS)
    kind = random.choice(names, count, p=[KINDS[name][0] for name in names])
    ions = dict.fromkeys(ELEMENT, np.zeros(count))
    for mineral, parts in MINERALS.items():
        median = np.array([KINDS[name][1][mineral][0] for name in kind])
        spread = np.array([KINDS[name][1][mineral][1] for name in kind])
        amount = np.minimum(median * np.exp(spread * random.standard_normal(count)), 6.0)
        for ion, share in parts.items():
            ions[ion] = ions[ion] + share * amount
    ions["silica"] = np.minimum(ions["silica"], _MOST_SILICA)
    return speciated(softened(pd.DataFrame(ions), kind == "softened", random), random).assign(kind=kind)


def softened(ions: pd.DataFrame, where: npt.NDArray[np.bool_], random: np.random.Generator) -> pd.DataFrame:
    """Exchange calcium and magnesium for sodium in some waters, all but what a softener lets through [mmol/L]."""
    left = np.where(where, random.uniform(0.002, 0.03, len(ions)), 1.0)
    gone = (ions["calcium"] + ions["magnesium"]) * (1.0 - left)
    return ions.assign(
        calcium=ions["calcium"] * left, magnesium=ions["magnesium"] * left, sodium=ions["sodium"] + 2.0 * gone
    )


def speciated(
    ions: pd.DataFrame, random: np.random.Generator, log_pco2: Floats | None = None, cold: Floats | None = None
) -> pd.DataFrame:
    """Let PHREEQC find pH, alkalinity and conductivity from ions [mmol/L] and carbon dioxide."""
    count = len(ions)
    gas = random.uniform(*_LOG_PCO2, count) if log_pco2 is None else log_pco2
    cool = random.uniform(8.0, 24.0, count) if cold is None else cold
    rows = zip(ions[list(ELEMENT)].to_dict("records"), gas, cool, strict=True)
    text = _PUNCH + "".join(
        _solution(row, water, pressure, degrees) for row, (water, pressure, degrees) in enumerate(rows)
    )
    engine = _engine()
    engine.ip.run_string(text)
    names, *lines = engine.ip.get_selected_output_array()
    found = pd.DataFrame(lines, columns=names).astype("float64")
    cold_part, warm_part = found.iloc[0::2].reset_index(drop=True), found.iloc[1::2].reset_index(drop=True)
    weights = {ion: ions[ion].to_numpy() * MOLAR_MASS[ion] for ion in ELEMENT}
    alkalinity = cold_part["alkalinity"] * 1e3
    return pd.DataFrame(weights).assign(
        temperature=cool,
        ph=cold_part["ph"],
        alkalinity=alkalinity * CACO3 / 2.0,
        bicarbonate=alkalinity * MOLAR_MASS["bicarbonate"],
        total_hardness=(ions["calcium"] + ions["magnesium"]).to_numpy() * CACO3,
        conductivity=warm_part["conductance"],
        log_pco2=gas,
    )


def millimoles(waters: pd.DataFrame) -> pd.DataFrame:
    """Give the ions of waters in mmol/L."""
    return pd.DataFrame({ion: waters[ion].to_numpy() / MOLAR_MASS[ion] for ion in ELEMENT})


@cache
def _engine() -> phreeqpython.PhreeqPython:
    return phreeqpython.PhreeqPython(database="phreeqc.dat")


def _solution(row: int, water: dict[str, float], log_pco2: float, degrees: float) -> str:
    amounts = "".join(f"{ELEMENT[ion]} {amount:.9g}\n" for ion, amount in water.items() if amount > 0)
    return (
        f"SOLUTION {row}\nunits mmol/kgw\ntemp {degrees:.6g}\npH 7 charge\nC(4) 1 CO2(g) {log_pco2:.6g}\n{amounts}END\n"
        f"USE solution {row}\nREACTION_TEMPERATURE {row}\n25\nEND\n"
    )
