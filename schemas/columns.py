"""Every canonical column, once: what it measures, its unit and its basis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Analyte:
    """One measured quantity and the column that carries it in the table of samples.

    ``basis`` is the chemical form the number counts ("as CaCO3", "as NO3", …); empty where
    the quantity has none (pH, temperature, conductivity).
    """

    code: str
    column: str
    unit: str
    basis: str
    title: str


def _ion(code: str, title: str, basis: str = "as ion") -> Analyte:
    return Analyte(code, f"{code}_mg_l", "mg/L", basis, title)


def _caco3(code: str, title: str) -> Analyte:
    return Analyte(code, f"{code}_mg_l_caco3", "mg/L", "as CaCO3", title)


# The order is the order of the columns in every wide table.
ANALYTES: Final[dict[str, Analyte]] = {
    analyte.code: analyte
    for analyte in (
        Analyte("temperature", "temperature_c", "Cel", "", "Temperature"),
        Analyte("ph", "ph", "[pH]", "", "pH"),
        Analyte("conductivity", "conductivity_us_cm_25c", "uS/cm", "", "Conductivity at 25 °C"),
        Analyte("tds", "tds_mg_l", "mg/L", "", "Total dissolved solids"),
        _caco3("total_hardness", "Total hardness"),
        _caco3("calcium_hardness", "Calcium hardness"),
        _caco3("magnesium_hardness", "Magnesium hardness"),
        _caco3("alkalinity", "Total alkalinity"),
        _caco3("phenolphthalein_alkalinity", "Alkalinity to pH 8.3"),
        _ion("calcium", "Calcium"),
        _ion("magnesium", "Magnesium"),
        _ion("sodium", "Sodium"),
        _ion("potassium", "Potassium"),
        _ion("ammonium", "Ammonium", "as NH4"),
        _ion("bicarbonate", "Bicarbonate"),
        _ion("carbonate", "Carbonate"),
        _ion("chloride", "Chloride"),
        _ion("sulfate", "Sulfate", "as SO4"),
        _ion("nitrate", "Nitrate", "as NO3"),
        _ion("fluoride", "Fluoride"),
        _ion("silica", "Silica", "as SiO2"),
        _ion("iron", "Iron"),
        _ion("manganese", "Manganese"),
        _ion("copper", "Copper"),
        _ion("lead", "Lead"),
        _ion("free_chlorine", "Free chlorine", "as Cl2"),
        _ion("total_chlorine", "Total chlorine", "as Cl2"),
        Analyte("turbidity", "turbidity_ntu", "NTU", "", "Turbidity"),
    )
}

COLUMNS: Final[dict[str, Analyte]] = {analyte.column: analyte for analyte in ANALYTES.values()}
WIDE_COLUMNS: Final[list[str]] = list(COLUMNS)

# Quantities that are read and kept, but have no column in the table of samples.
OTHER_ANALYTES: Final[dict[str, str]] = {
    "nitrite": "Nitrite",
    "nitrate_nitrite": "Nitrate and nitrite together",
    "phosphate": "Phosphate",
    "total_phosphorus": "Total phosphorus",
    "total_nitrogen": "Total nitrogen",
    "hydroxide": "Hydroxide",
    "aluminium": "Aluminium",
    "boron": "Boron",
    "barium": "Barium",
    "strontium": "Strontium",
    "lithium": "Lithium",
    "bromide": "Bromide",
    "bromate": "Bromate",
    "iodide": "Iodide",
    "zinc": "Zinc",
    "nickel": "Nickel",
    "arsenic": "Arsenic",
    "chromium": "Chromium",
    "cadmium": "Cadmium",
    "selenium": "Selenium",
    "uranium": "Uranium",
    "cobalt": "Cobalt",
    "vanadium": "Vanadium",
    "antimony": "Antimony",
    "mercury": "Mercury",
    "molybdenum": "Molybdenum",
    "silver": "Silver",
    "combined_chlorine": "Combined chlorine",
    "oxygen": "Dissolved oxygen",
    "toc": "Total organic carbon",
    "doc": "Dissolved organic carbon",
    "cod": "Chemical oxygen demand",
    "bod": "Biochemical oxygen demand",
    "oxidisability": "Oxidisability (permanganate)",
    "redox": "Redox potential",
    "base_capacity": "Base capacity to pH 8.2",
    "carbonate_hardness": "Carbonate hardness, capped at the total hardness",
    "noncarbonate_hardness": "Non-carbonate hardness",
    "carbon_dioxide": "Carbon dioxide",
    "saturation_index": "Saturation index as the file states it",
    "calcite_dissolution": "Calcite dissolution capacity",
    "total_suspended_solids": "Total suspended solids",
    "colour": "Colour",
}

STAGES: Final[tuple[str, ...]] = ("raw", "treated", "machine_inlet", "permeate", "bottled", "hot_outlet")
ACTIVITIES: Final[tuple[str, ...]] = ("routine", "duplicate", "blank", "standard", "spike")
# Activities that judge the laboratory and no water: kept, and never proved, assessed or counted as samples of a site.
CONTROLS: Final[tuple[str, ...]] = ACTIVITIES[1:]
SEVERITIES: Final[tuple[str, ...]] = ("note", "hold", "reject")
# What becomes of a sample, the better first; "unjudged": nothing in it could be compared, or most of it was not read.
VERDICTS: Final[tuple[str, ...]] = ("ok", "unjudged", *SEVERITIES)
USABLE: Final[tuple[str, ...]] = ("ok", "unjudged", "note")
# Primary flags of the open QARTOD scheme: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing.
QARTOD_FLAGS: Final[dict[str, int]] = {"ok": 1, "unjudged": 2, "note": 1, "hold": 3, "reject": 4}
QARTOD_MISSING: Final = 9
OPEN: Final[tuple[str, ...]] = SEVERITIES[1:]  # what waits for a person's answer
