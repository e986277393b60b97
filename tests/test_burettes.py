"""Burette sheets as benches write them: molarity, normality and substance in headings, columns and cells."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner

from pipeline.checks.burettes import turned_digits
from pipeline.cli import main
from pipeline.ingest.titrants import is_titrant_volume, titrant_of
from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

PER_MEQ = 50.0435  # mg of CaCO3 in a milliequivalent: IUPAC2021, 100.087 / 2
SHEETS = {
    # Two protons of sulfuric acid, one of hydrochloric: half as much of the second.
    "acids": "Sample,Date,Alkalinity titrant (mL),Titrant (mol/L),Titrant,Sample volume (mL)\n"
    "sulfuric,2025-03-01,4.10,0.0100,H2SO4,50\nhydrochloric,2025-03-01,4.10,0.0100,HCl,50\n"
    "unnamed,2025-03-01,4.10,0.0100,,50\nEDTA,2025-03-01,4.10,0.0100,EDTA,50\n",
    "in the heading": "Probe;Datum;Säurekapazität KS 4,3 Verbrauch (ml);H2SO4 (mol/l);Probenvolumen (ml)\n"
    "schwefelsauer;01.03.2025;8,10;0,0100;100\n",
    "in the cell": "Sample,Date,Total hardness EDTA (mL),EDTA,Sample volume (mL)\n"
    "molar,2025-03-01,12.30,0.0100 M,50\nnormal,2025-03-01,12.30,0.02 N,50\nbare,2025-03-01,12.30,0.01,50\n",
    "of each volume": "Sample,Date,Alkalinity 0.02 N acid (mL),Hardness 0.01 M EDTA (mL),Calcium EDTA 0.01 M (mL),"
    "Sample volume (mL)\n"
    "both,2025-03-01,4.10,12.40,8.10,50\n",
}


@pytest.fixture(scope="module")
def benches(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    def fill(folder: Path) -> None:
        for name, text in SHEETS.items():
            (folder / f"{name}.csv").write_text(text, "utf-8")
        taken = [str(folder / f"{name}.csv") for name in SHEETS]
        done = CliRunner().invoke(
            main, ["intake", *taken, "--out", str(folder / "out"), "--store", str(folder / "s.duckdb")]
        )
        assert done.exit_code == 1, done.output

    return made_once("burettes", fill)


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(
    ("label", "column", "value"),
    [
        ("sulfuric", "alkalinity_mg_l_caco3", 4.10 * 0.0100 * 2 * 1000 * PER_MEQ / 50),
        ("hydrochloric", "alkalinity_mg_l_caco3", 4.10 * 0.0100 * 1000 * PER_MEQ / 50),
        ("schwefelsauer", "alkalinity_mg_l_caco3", 8.10 * 0.0100 * 2 * 1000 * PER_MEQ / 100),
        ("molar", "total_hardness_mg_l_caco3", 12.30 * 0.0100 * 2 * 1000 * PER_MEQ / 50),
        ("normal", "total_hardness_mg_l_caco3", 12.30 * 0.02 * 1000 * PER_MEQ / 50),
        ("both", "alkalinity_mg_l_caco3", 4.10 * 0.02 * 1000 * PER_MEQ / 50),
        ("both", "total_hardness_mg_l_caco3", 12.40 * 0.01 * 2 * 1000 * PER_MEQ / 50),
        ("both", "calcium_mg_l", 8.10 * 0.01 * 40.078 * 1000 / 50),
    ],
)
def test_a_volume_gives_what_its_titrant_gives(benches: Path, label: str, column: str, value: float) -> None:
    with Store(benches / "s.duckdb", read_only=True) as store:
        found = store.connection.execute(f"SELECT {column} FROM v_sample WHERE label = ?", [label]).fetchall()  # noqa: S608 - names of this test

    assert found == [(pytest.approx(value, rel=1e-4),)]


def test_a_titrant_that_may_be_two_things_is_asked_for_and_a_wrong_one_refused(benches: Path) -> None:
    with Store(benches / "s.duckdb", read_only=True) as store:
        told = store.connection.execute("SELECT raw_text, message FROM set_aside ORDER BY message").fetchall()

    assert [raw_text for raw_text, _ in told] == ["12.30", "4.10", "4.10"]
    for part, (_, text) in zip(("has no unit", "not named: name it", "not titrated with"), told, strict=True):
        assert part in text


@pytest.mark.parametrize(
    ("text", "substance", "moles", "equivalents"),
    [
        ("0,0100 M EDTA", "EDTA", "0.0100", ""),
        ("H2SO4 N/50", "H2SO4", "", "0.02"),
        ("10 mmol/L", "", "0.01", ""),
        ("c = 0.1 mol/l Salzsäure", "HCl", "0.1", ""),
        ("0.02N sulphuric acid", "H2SO4", "", "0.02"),
        ("0.01", "", "", ""),
    ],
)
def test_a_titrant_is_read_from_its_words(text: str, substance: str, moles: str, equivalents: str) -> None:
    assert tuple(titrant_of(text)) == (substance, moles, equivalents)


def test_a_volume_names_its_titrant_and_nothing_else() -> None:
    assert all(map(is_titrant_volume, ("ml h2so4", "volume of acid ml", "silver nitrate ml", "edta verbrauch ml")))
    assert not any(map(is_titrant_volume, ("nitrate ml", "sample volume ml", "acid capacity", "ml")))


@pytest.mark.common_practice
def test_digits_that_changed_places_are_found_within_the_range() -> None:
    """158.3 ± 2 typed as 185.3; 246.2 is right as it is; 310.0 has no such pair."""
    found = turned_digits(
        np.array([185.3, 246.2, 310.0]), np.array([156.2, 244.0, 203.0]), np.array([160.4, 248.0, 207.0])
    )

    assert found[0] == pytest.approx(158.3)
    assert np.isnan(found[2])
