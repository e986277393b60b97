"""Which units fit a column: told by the other readings of its file, never by its name."""

from __future__ import annotations

import numpy as np
import pandas as pd
import phreeqpython
import pytest

from pipeline.asking.evidence import Verdict, judge_units
from pipeline.asking.file_readings import OpenTable, file_readings
from pipeline.asking.open_units import cell_kinds
from pipeline.asking.questions import evidence_text
from pipeline.ingest.extract import extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.layouts import load_layouts, match_layout

# IUPAC2021, abridged standard atomic weights.
CA, MG, NA, K, CL, C, H, S, N = 40.078, 24.305, 22.990, 39.098, 35.45, 12.011, 1.008, 32.06, 14.007
OXYGEN = 15.999
CACO3, HCO3, SO4, NO3 = CA + C + 3 * OXYGEN, H + C + 3 * OXYGEN, S + 4 * OXYGEN, N + 3 * OXYGEN
# 1 °dH is 10 mg/L of CaO, 1 °f 10 mg/L of CaCO3, 1 gpg 1 grain (64.79891 mg) in 3.785411784 L.
DEGREES = {"°dH": 10.0 * CACO3 / (CA + OXYGEN), "°f": 10.0, "gpg": 64.79891 / 3.785411784}


@pytest.fixture(scope="module")
def waters() -> pd.DataFrame:
    """Thirty balanced waters in mmol/L; their conductivity is PHREEQC's."""
    random = np.random.default_rng(3)
    size = 30
    frame = pd.DataFrame(
        {
            "Ca": random.uniform(0.8, 2.8, size),
            "Mg": random.uniform(0.15, 1.0, size),
            "Na": random.uniform(0.2, 2.2, size),
            "K": random.uniform(0.02, 0.1, size),
            "Cl": random.uniform(0.2, 0.8, size),
            "SO4": random.uniform(0.1, 0.4, size),
            "NO3": random.uniform(0.03, 0.4, size),
        }
    )
    frame["HCO3"] = 2 * (frame.Ca + frame.Mg - frame.SO4) + frame.Na + frame.K - frame.Cl - frame.NO3
    engine = phreeqpython.PhreeqPython(database="phreeqc.dat")
    names = {"SO4": "S(6)", "NO3": "N(5)", "HCO3": "Alkalinity"}
    solutions = [
        engine.add_solution(
            {"units": "mmol/L", "pH": 7.6, **{names.get(ion, ion): value for ion, value in row.items()}}
        )
        for row in frame.to_dict("records")
    ]
    return frame.assign(EC=[solution.sc for solution in solutions])


def columns_of(waters: pd.DataFrame) -> dict[str, pd.Series[float]]:
    """Give the columns of a laboratory's list, in mg/L, µS/cm and mg/L as CaCO3."""
    masses = {"Ca": CA, "Mg": MG, "Na": NA, "K": K, "Cl": CL, "SO4": SO4, "NO3": NO3, "HCO3": HCO3}
    names = {
        "Ca": "Calcium",
        "Mg": "Magnesium",
        "Na": "Sodium",
        "K": "Potassium",
        "Cl": "Chloride",
        "SO4": "Sulfate",
        "NO3": "Nitrate",
        "HCO3": "Bicarbonate",
    }
    found = {names[ion]: waters[ion] * mass for ion, mass in masses.items()}
    return {**found, "Conductivity": waters["EC"], "Total hardness": (waters["Ca"] + waters["Mg"]) * CACO3}


def judged(columns: dict[str, pd.Series[float]]) -> dict[str, Verdict]:
    """Judge the columns of a list whose headings are given; those without a unit in the heading wait."""
    frame = pd.DataFrame(columns)
    frame.insert(0, "Sample", [f"S{number}" for number in range(len(frame))])
    table = frame.astype("str")
    grid = Grid.from_rows([list(table.columns), *table.to_numpy().tolist()])
    match = match_layout(grid, load_layouts())
    assert match is not None
    extracted = extract(grid, match, "0" * 64)
    found = judge_units(file_readings([OpenTable(extracted, cell_kinds(extracted), row_by_row=True)])[0])
    return {verdict.kind.analyte: verdict for verdict in found}


def with_units(columns: dict[str, pd.Series[float]], *without: str) -> dict[str, pd.Series[float]]:
    """Write the units of a laboratory into the headings of all columns but some."""
    units = {"Conductivity": "µS/cm", "Total hardness": "mg/L as CaCO3"}
    return {
        name if name in without else f"{name} ({units.get(name, 'mg/L')})": values.round(3)
        for name, values in columns.items()
    }


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize("degree", DEGREES)
def test_the_degree_of_a_hardness_is_proved_by_calcium_and_magnesium(waters: pd.DataFrame, degree: str) -> None:
    columns = columns_of(waters)
    columns["Total hardness"] = columns["Total hardness"] / DEGREES[degree]

    verdict = judged(with_units(columns, "Total hardness"))["total_hardness"]

    assert (verdict.proved, [unit.text for unit in verdict.fitting]) == (degree, [degree])
    assert evidence_text(verdict).startswith(f"{degree} fits (proved): hardness ")


@pytest.mark.source("PHREEQC3")
@pytest.mark.parametrize(("unit", "worth"), [("µS/cm", 1.0), ("mS/cm", 1000.0), ("mS/m", 10.0)])
def test_the_unit_of_a_conductivity_is_proved_by_the_ions(waters: pd.DataFrame, unit: str, worth: float) -> None:
    columns = columns_of(waters)
    columns["Conductivity"] = columns["Conductivity"] / worth

    assert judged(with_units(columns, "Conductivity"))["conductivity"].proved == unit


@pytest.mark.source("IUPAC2021")
def test_millimoles_are_told_from_milligrams_by_balance_and_conductivity(waters: pd.DataFrame) -> None:
    columns = {**columns_of(waters), "Calcium": waters["Ca"], "Chloride": waters["Cl"]}

    found = judged(with_units(columns, "Calcium", "Chloride"))

    assert {name: verdict.proved for name, verdict in found.items()} == {"calcium": "mmol/L", "chloride": "mmol/L"}


def test_few_samples_prove_nothing(waters: pd.DataFrame) -> None:
    """The unit fits, and a person is asked all the same: a proof takes 20 samples."""
    columns = {name: values.iloc[:19] for name, values in columns_of(waters).items()}

    verdict = judged(with_units(columns, "Total hardness"))["total_hardness"]

    assert (verdict.proved, verdict.fitting[0].text) == ("", "mg/L as CaCO3")
    assert "(likely)" in evidence_text(verdict)


def test_a_list_wholly_without_units_is_never_taken_unasked(waters: pd.DataFrame) -> None:
    found = judged({name: values.round(3) for name, values in columns_of(waters).items()})

    assert {verdict.proved for verdict in found.values()} == {""}
    first = {name: verdict.fitting[0].text for name, verdict in found.items()}
    expected = dict.fromkeys(first, "mg/L") | {"conductivity": "µS/cm", "total_hardness": "mg/L as CaCO3"}
    assert first == expected


def test_a_column_alone_says_only_what_is_usual(waters: pd.DataFrame) -> None:
    verdict = judged({"pH": waters["EC"] * 0 + 7.6, "Sodium": columns_of(waters)["Sodium"]})["sodium"]

    assert not verdict.tested
    assert evidence_text(verdict).startswith(
        "No other reading of the file decides it; by the usual size of waters mg/L"
    )


@pytest.mark.source("IUPAC2021")
def test_a_list_in_equivalents_is_told_as_one_and_no_ion_of_it_as_milligrams(waters: pd.DataFrame) -> None:
    """Of sodium in meq/L "mg/L fits, almost certain" was said: of one charge a millimole is a milliequivalent."""
    charges = {"Ca": 2, "Mg": 2, "Na": 1, "K": 1, "Cl": 1, "SO4": 2, "HCO3": 1}
    names = {"Ca": "Calcium", "Mg": "Magnesium", "Na": "Sodium", "K": "Potassium", "Cl": "Chloride"}
    names |= {"SO4": "Sulfate", "HCO3": "Bicarbonate"}

    found = judged({name: (waters[ion] * charges[ion]).round(3) for ion, name in names.items()})

    units = {code: verdict.fitting[0].text for code, verdict in found.items()}
    assert {units[code] for code in ("calcium", "magnesium", "sodium", "potassium", "chloride", "bicarbonate")} == {
        "meq/L"
    }
