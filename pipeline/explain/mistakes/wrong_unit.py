"""A number that was written in another unit or form than the one it was read in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_CAO,
    CACO3_PER_MAGNESIUM,
    HCO3_PER_CACO3,
    MG_CACO3_PER_DEGREE,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
    NITRATE_PER_NITROGEN,
    SILICA_PER_SILICON,
    SULFATE_PER_SULFUR,
)
from pipeline.explain.mistakes.candidate import Candidate, as_received, multiplied, not_of_drops
from pipeline.explain.record import ROW

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.explain.mistakes.candidate import Change
    from pipeline.explain.record import Record

DEGREE: Final[dict[str, float]] = {  # mg/L as CaCO3 in one unit [DIN19640, GRAIN]
    **MG_CACO3_PER_DEGREE,
    "mg/L as CaCO3": 1.0,
    "meq/L": MG_CACO3_PER_MEQ,
}
DROP_UNITS: Final = tuple(MG_CACO3_PER_DEGREE)  # what a drop of a kit is worth [CP]
HARDNESS_UNITS: Final = {**DEGREE, "mmol/L": 2.0 * MG_CACO3_PER_MEQ}
ALKALINITY_UNITS: Final = {  # a mmol of acid is a meq: one answer
    **{unit: worth for unit, worth in DEGREE.items() if unit != "meq/L"},
    "mmol/L (acid capacity)": MG_CACO3_PER_MEQ,
}
BASES: Final[dict[str, dict[str, float]]] = {  # canonical mg/L in 1 mg/L of each form [IUPAC2021]
    "total_hardness": {"as Ca": CACO3_PER_CALCIUM, "as CaO": CACO3_PER_CAO},
    "calcium_hardness": {"as Ca": CACO3_PER_CALCIUM, "as CaO": CACO3_PER_CAO},
    "alkalinity": {
        "as HCO3": 1.0 / HCO3_PER_CACO3,
        "as CaO": CACO3_PER_CAO,
        "as CO3": 2 * MG_CACO3_PER_MEQ / MOLAR_MASS["carbonate"],
    },
    "bicarbonate": {"as CaCO3": HCO3_PER_CACO3, "as CO3": 2 * MOLAR_MASS["bicarbonate"] / MOLAR_MASS["carbonate"]},
    "calcium": {"as CaCO3": 1.0 / CACO3_PER_CALCIUM, "as CaO": CACO3_PER_CAO / CACO3_PER_CALCIUM},
    "magnesium": {"as CaCO3": 1.0 / CACO3_PER_MAGNESIUM},
    "nitrate": {"as N": NITRATE_PER_NITROGEN},
    "sulfate": {"as S": SULFATE_PER_SULFUR},
    "silica": {"as Si": SILICA_PER_SILICON},
    "chloride": {"as NaCl": MOLAR_MASS["chloride"] / (MOLAR_MASS["chloride"] + MOLAR_MASS["sodium"])},
}
_FORM_SHARES: Final = {"as CaO": 0.2, "as CO3": 0.3}  # nobody prints them but a few old laboratories [CP]
UNIT_SHARES: Final = {"°dH": 3.0, "°f": 3.0, "mg/L as CaCO3": 2.0}  # against Clark, grains, mmol [CP]
_REVERSED: Final = {  # the form the heading names, and the one the number was in
    ("alkalinity", "converted to CaCO3 twice"): HCO3_PER_CACO3,
    ("bicarbonate", "converted to HCO3 twice"): 1.0 / HCO3_PER_CACO3,
    ("nitrate", "as NO3, read as N"): 1.0 / NITRATE_PER_NITROGEN,
    ("sulfate", "as SO4, read as S"): 1.0 / SULFATE_PER_SULFUR,
    ("silica", "as SiO2, read as Si"): 1.0 / SILICA_PER_SILICON,
}
_BOTH: Final = 0.5  # of one kit's two titrations in another degree, against one of them [CP]
CONDUCTIVITY_UNITS: Final = {"µS/cm": 1.0, "mS/m": 10.0, "mS/cm": 1000.0}
_CONDUCTIVITIES: Final = (ROW["conductivity"], ROW["second conductivity"])
_BOTH_KITS: Final = (
    0.15  # the same of the drops themselves: who owns a kit knows its degree better than its volume [CP]
)
_KIT_DEGREES: Final = ("°dH", "°f", "gpg")  # of the kits that are sold most [CP]


def _meant(row: int, worth: float) -> Change:
    """Give the number as written the worth of another unit; a conductivity keeps its reference temperature."""

    def change(record: Record) -> dict[int, Floats]:
        read = record.unit_worth[row]
        if row in _CONDUCTIVITIES:  # in powers of ten of µS/cm; what is left of the worth brings it to 25 °C
            read = 10.0 ** np.round(np.log10(np.where(read > 0, read, np.nan)))
        value = record.amounts[row] * worth / read
        return {row: np.where(as_received(value, record.amounts[row]), np.nan, value)}

    return change


def wrong_units(name: str, units: dict[str, float], row: int, shares: dict[str, float]) -> list[Candidate]:
    """Say that the number was written in another unit than the one it was read in."""
    titration = units is HARDNESS_UNITS or units is ALKALINITY_UNITS
    return [
        Candidate(
            "wrong-unit",
            name,
            "",
            unit,
            not_of_drops(_meant(row, worth), row) if titration and unit not in DROP_UNITS else _meant(row, worth),
            weight=shares.get(unit, 1.0),
            row=row,
        )
        for unit, worth in units.items()
    ]


def assumed_units(name: str, units: dict[str, float], row: int) -> list[Candidate]:
    """Say that the number was read in a unit it was not written in, where the file's unit is not on record."""

    def back(worth: float) -> Change:
        return lambda record: {row: np.where(record.unit_known[row], np.nan, record.amounts[row] / worth)}

    return [
        Candidate("wrong-unit", name, "", f"{unit} was assumed", back(worth), weight=0.5, row=row)
        for unit, worth in units.items()
        if worth != 1.0
    ]


def wrong_bases(name: str, row: int) -> list[Candidate]:
    """Say that the number stood for another form than the one it was read as."""
    forms = [
        Candidate(
            "wrong-basis",
            name,
            "",
            form,
            not_of_drops(multiplied(row, factor), row),
            weight=_FORM_SHARES.get(form, 1.0),
            row=row,
        )
        for form, factor in BASES.get(name, {}).items()
    ]
    back = [
        Candidate("wrong-basis", name, "", detail, not_of_drops(multiplied(row, factor), row), weight=0.5, row=row)
        for (analyte, detail), factor in _REVERSED.items()
        if analyte == name
    ]
    return forms + back


def both_converted() -> list[Candidate]:
    """Say that hardness and alkalinity were both converted, or both written, with another degree than the kit's."""
    rows = ROW["total_hardness"], ROW["alkalinity"]

    def converted(factor: float) -> Change:
        return lambda record: {
            row: np.where(np.isnan(record.step[row]), record.amounts[row] * factor, np.nan) for row in rows
        }

    return [
        Candidate(
            "wrong-unit",
            "total_hardness",
            "alkalinity",
            f"{meant} taken for {taken}, in both titrations",
            converted(DEGREE[meant] / DEGREE[taken]),
            weight=_BOTH,
            row=rows[0],
        )
        for meant, taken in (("°f", "°dH"), ("°dH", "°f"), ("°Clark", "°dH"), ("°dH", "°Clark"))
    ]


def both_kits() -> list[Candidate]:
    """Say that the drops of both titrations were worth another degree than the sheet says."""
    rows = ROW["total_hardness"], ROW["alkalinity"]

    def counted(worth: float) -> Change:
        return lambda record: {
            row: np.where(np.isnan(record.step[row]), np.nan, _meant(row, worth)(record)[row]) for row in rows
        }

    return [
        Candidate(
            "wrong-unit",
            "total_hardness",
            "alkalinity",
            f"a drop of {degree}, in both tests",
            counted(DEGREE[degree]),
            weight=_BOTH_KITS,
            row=rows[0],
        )
        for degree in _KIT_DEGREES
    ]


def fahrenheit() -> list[Candidate]:
    """Say that the temperature was written in °F."""
    row = ROW["temperature"]

    def celsius(record: Record) -> dict[int, Floats]:
        return {row: (record.amounts[row] - 32.0) / 1.8}

    return [Candidate("wrong-unit", "temperature", "", "°F", celsius, row=row)]
