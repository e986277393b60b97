"""Conductivity before and behind a softener, against the reference library."""

from __future__ import annotations

import numpy as np
import pytest
from phreeqpython import PhreeqPython

from pipeline.checks.softening import conductivity_ratios


@pytest.mark.source("PHREEQC3")
@pytest.mark.parametrize(("anion", "alkalinity"), [("Cl", 100.0), ("S(6)", 100.0), ("S(6)", 205.0)])
def test_a_softener_raises_the_conductivity_as_the_reference_library_has_it(anion: str, alkalinity: float) -> None:
    """450 mg/L of hardness taken to 9 mg/L; the two parameter sets of ion pairs differ by 3 %."""
    engine = PhreeqPython(database="phreeqc.dat")

    def conducts(hardness: float) -> float:
        taken = (450.0 - hardness) / 100.0869
        rest = (450.0 - alkalinity) / 50.0435 + 0.3
        metals = hardness / 100.0869
        composition = {"units": "mmol/L", "temp": 25.0, "pH": 7.5, "Ca": 0.75 * metals, "Mg": 0.25 * metals,
                       "Na": 2.0 * taken + 0.3, "Alkalinity": alkalinity / 50.0435,
                       anion: rest / (2.0 if anion == "S(6)" else 1.0)}  # fmt: skip
        return float(engine.add_solution(composition).sc)

    least, most = conductivity_ratios(np.array([450.0]), np.array([9.0]), np.array([alkalinity]))

    expected = conducts(9.0) / conducts(450.0)
    assert (most if anion == "S(6)" else least).item() == pytest.approx(expected, rel=0.03)
