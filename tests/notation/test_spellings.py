"""Spellings of units, each through every place in which a unit can stand, against published molar masses."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.gathering import gather, normalised_files
from pipeline.ingest.headings import read_heading
from pipeline.ingest.layouts import load_layouts
from pipeline.normalise.units import referred_to_25c, resolve
from pipeline.notation.grammar import read_unit
from pipeline.one_file import read_file
from pipeline.report.terminal.assess import convert_text
from pipeline.settings import Settings
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.gathering import Gathered

# Our own writing: spellings met in kits, meters and reports of eight languages, and some that must not pass.
TABLE = pd.read_csv(Path(__file__).with_name("spellings.csv"), dtype="str", keep_default_na=False)
READ = ~TABLE["unit"].isin(["refused", "ambiguous"])
NAMES = {
    **{code: analyte.title for code, analyte in ANALYTES.items()},
    "conductivity": "Conductivity",
    "nitrite": "Nitrite",
    "phosphate": "Phosphate",
    "toc": "TOC",
}
VALUE = 12.0

# Molar mass [g/mol] and charge; IUPAC2021 abridged weights: H 1.008, C 12.011, N 14.007, O 15.999, Na 22.990,
# Mg 24.305, Si 28.085, P 30.974, S 32.06, Cl 35.45, K 39.098, Ca 40.078, Mn 54.938, Fe 55.845, Pb 207.2.
SUBSTANCES = {
    "as CaCO3": (100.086, 2),
    "as CaO": (56.077, 2),
    "as HCO3": (61.016, 1),
    "as Ca": (40.078, 2),
    "as Mg": (24.305, 2),
    "as Na": (22.990, 1),
    "as K": (39.098, 1),
    "as NO3": (62.004, 1),
    "as NO2": (46.005, 1),
    "as N": (14.007, 1),
    "as NH4": (18.039, 1),
    "as SO4": (96.056, 2),
    "as S": (32.06, 2),
    "as PO4": (94.970, 3),
    "as P": (30.974, 3),
    "as P2O5": (141.943, 6),
    "as Cl": (35.45, 1),
    "as F": (18.998, 1),
    "as SiO2": (60.083, 0),
    "as Si": (28.085, 0),
    "as Fe": (55.845, 0),
    "as Pb": (207.2, 0),
    "as Cl2": (70.90, 0),
}
OWN = {
    **dict.fromkeys(("total_hardness", "magnesium_hardness", "alkalinity"), "as CaCO3"),
    "calcium": "as Ca",
    "magnesium": "as Mg",
    "sodium": "as Na",
    "potassium": "as K",
    "ammonium": "as NH4",
    "bicarbonate": "as HCO3",
    "chloride": "as Cl",
    "sulfate": "as SO4",
    "nitrate": "as NO3",
    "nitrite": "as NO2",
    "phosphate": "as PO4",
    "fluoride": "as F",
    "silica": "as SiO2",
    "iron": "as Fe",
    "lead": "as Pb",
    "free_chlorine": "as Cl2",
}
MASS = {"mg/L": 1.0, "ppm": 1.0, "ug/L": 1e-3, "ng/L": 1e-6, "g/L": 1e3}
AMOUNT = {"mmol/L": 1.0, "umol/L": 1e-3, "mol/L": 1e3}
CHARGES = {"meq/L": 1.0, "ueq/L": 1e-3, "deg-meq": 1.0}
# Definitions [DIN38409, GRAIN]: 10 mg/L CaO, 10 mg/L CaCO3, one grain of CaCO3 in a gallon.
DEGREES = {
    "deg-german": 10 * 100.086 / 56.077,
    "deg-french": 10.0,
    "deg-clark": 64.79891 / 4.54609,
    "grain/gal-us": 64.79891 / 3.785411784,
}
CONDUCTIVITY = {"uS/cm": 1.0, "mS/cm": 1e3, "mS/m": 10.0, "S/m": 1e4, "S/cm": 1e6, "uS/m": 0.01}
EC25_PER_EC20 = 1.116  # [ISO7888]


def expected(quantity: str, unit: str, form: str, reference: str) -> float:
    """Work out the canonical value by hand from the definitions."""
    if unit == "degF":
        return (VALUE - 32.0) / 1.8
    if quantity == "conductivity":
        return VALUE * CONDUCTIVITY[unit] * (EC25_PER_EC20 if reference == "20" else 1.0)
    if quantity not in OWN:
        return VALUE
    mass, charge = SUBSTANCES[OWN[quantity]]
    stated, stated_charge = SUBSTANCES[form or OWN[quantity]]
    per_stated = mass / stated if not charge or not stated_charge else (mass / charge) / (stated / stated_charge)
    worth = {
        **DEGREES,
        **{code: size * mass / charge for code, size in CHARGES.items() if charge},
        **{code: size * (1.0 if form == "as Cl" else per_stated) for code, size in MASS.items()},
        **{code: size * stated * per_stated for code, size in AMOUNT.items()},
    }
    return VALUE * worth[unit]


EXPECTED = np.array(
    [
        expected(*row) if read else np.nan
        for read, *row in zip(READ, TABLE["quantity"], TABLE["unit"], TABLE["form"], TABLE["reference_c"], strict=True)
    ]
)


def taken_in(folder: Path, rows: Iterable[Iterable[str]]) -> Gathered:
    """Take in a file of tab-separated rows as a person would send it."""
    written = io.StringIO()
    csv.writer(written, delimiter="\t").writerows(rows)
    path = folder / "sent.tsv"
    path.write_text(written.getvalue(), encoding="utf-8")
    return gather(normalised_files([read_file(path, Settings(), load_layouts())], Settings()))


def wrong(values: pd.Series, among: pd.Index | None = None) -> list[tuple[object, ...]]:
    """List the rows of the table whose value is not the one worked out; missing where nothing may be read."""
    found = values.reindex(TABLE.index).to_numpy(dtype="float64")
    right = np.isclose(found, EXPECTED, rtol=3e-4) | (np.isnan(found) & np.isnan(EXPECTED))
    asked = TABLE.index if among is None else among
    listed = TABLE.assign(found=found, expected=EXPECTED)[~right]
    return list(listed[listed.index.isin(asked)].itertuples(index=False, name=None))


def pairs() -> zip[tuple[str, str]]:
    return zip(TABLE["text"], TABLE["quantity"], strict=True)


def by_label(gathered: Gathered) -> pd.Series:
    """Give the values of readings by the number of their row in the table."""
    label = gathered.rows["label"].astype("int64").to_numpy()[gathered.readings["row"].to_numpy()]
    return pd.Series(gathered.readings["value"].to_numpy(), index=label)


def test_the_table_is_long_and_says_every_spelling_once() -> None:
    assert len(TABLE) >= 700
    assert not TABLE.duplicated(["text", "quantity"]).any()
    assert (~READ).sum() >= 100


@pytest.mark.source("IUPAC2021")
def test_every_spelling_means_its_unit_form_and_temperature() -> None:
    found = [read_unit(text) for text in TABLE["text"]]

    for one, (text, quantity, unit, form, reference) in zip(found, TABLE.itertuples(index=False), strict=True):
        meaning = resolve(quantity, text, "")
        if unit in ("refused", "ambiguous"):
            assert meaning.problem == {"refused": "unit-unknown", "ambiguous": "unit-ambiguous"}[unit], text
            continue
        assert one is not None, text
        assert unit in one.codes, text
        assert one.form == form, text
        assert (f"{one.temperature_c:g}" if one.temperature_c == one.temperature_c else "") == reference, text
        assert not meaning.problem, text


@pytest.mark.source("IUPAC2021")
def test_a_unit_column_is_read(tmp_path: Path) -> None:
    rows = [("Sample", "Parameter", "Value", "Unit")]
    rows += [(f"{n}", NAMES[q], f"{VALUE:g}", t) for n, (t, q) in enumerate(pairs())]

    assert wrong(by_label(taken_in(tmp_path, rows))) == []


@pytest.mark.source("IUPAC2021")
def test_a_unit_in_the_cell_is_read(tmp_path: Path) -> None:
    rows = [("Sample", "Parameter", "Value")]
    rows += [(f"{n}", NAMES[q], f"{VALUE:g} {t}") for n, (t, q) in enumerate(pairs())]

    assert wrong(by_label(taken_in(tmp_path, rows))) == []


def by_cell(gathered: Gathered) -> pd.Series:
    """Give the values of readings by the number of their row in the table, which the cells of a wide file carry."""
    number = gathered.readings["raw_text"].astype("float64").sub(VALUE).mul(1e9).round().astype("int64")
    return pd.Series(gathered.readings["value"].to_numpy(), index=number)


CELLS = [f"{VALUE + number / 1e9:.9f}" for number in range(len(TABLE))]


@pytest.mark.source("IUPAC2021")
def test_a_unit_in_the_heading_is_read(tmp_path: Path) -> None:
    bracketed = TABLE["text"].str.contains(r"[\[\]()（）]")
    headings = [
        f"{NAMES[q]} {t}" if held else f"{NAMES[q]} [{t}]" for (t, q), held in zip(pairs(), bracketed, strict=True)
    ]

    assert wrong(by_cell(taken_in(tmp_path, [["Sample", *headings], ["A", *CELLS]]))) == []


@pytest.mark.source("IUPAC2021")
def test_a_unit_in_a_second_heading_row_is_read(tmp_path: Path) -> None:
    headings = [NAMES[quantity] for quantity in TABLE["quantity"]]
    rows = [["Sample", *headings], ["", *TABLE["text"]], ["A", *CELLS]]

    assert wrong(by_cell(taken_in(tmp_path, rows))) == []


@pytest.mark.source("IUPAC2021")
def test_the_unit_of_a_drop_is_read(tmp_path: Path) -> None:
    """One drop of the kit is one unit of hardness."""
    hardness = TABLE[(TABLE["quantity"] == "total_hardness")]
    rows = [("Sample", "Degree per drop", "Degree unit", "Hardness drops")]
    rows += [(f"{n}", "1", text, f"{VALUE:g}") for n, text in hardness["text"].items()]

    found = by_label(taken_in(tmp_path, rows))

    assert wrong(found, hardness.index) == []


@pytest.mark.source("IUPAC2021")
def test_the_unit_in_the_heading_of_what_a_drop_is_worth_is_read(tmp_path: Path) -> None:
    hardness = TABLE[READ & (TABLE["quantity"] == "total_hardness")]
    headings = {n: read_heading(f"{text} per drop") for n, text in hardness["text"].items()}

    worth = {n: VALUE * resolve("total_hardness", heading.unit, "").factor for n, heading in headings.items()}

    assert {heading.meanings[0].code for heading in headings.values() if heading.meanings} == {"degree_per_drop"}
    assert wrong(pd.Series(worth), hardness.index) == []
    rows = [("Sample", "°dH pro Tropfen", "Härte Tropfen"), ("A", "0,5", "9")]
    assert taken_in(tmp_path, rows).readings["value"].tolist() == pytest.approx([4.5 * DEGREES["deg-german"]], rel=3e-4)


@pytest.mark.source("IUPAC2021")
def test_convert_reads_it() -> None:
    canonical = {"conductivity": "uS/cm at 25 °C", "temperature": "°C", "ph": "pH", "turbidity": "NTU"}
    mine = TABLE[READ & TABLE["quantity"].isin(list(ANALYTES))]

    def converted(text: str, quantity: str) -> float:
        own = canonical.get(quantity, f"mg/L {OWN.get(quantity, '')}".strip())
        found = convert_text(VALUE, text, own, quantity).removeprefix(f"{VALUE:g} {text} = ")
        return float(found.split()[0])

    values = pd.Series({n: converted(t, q) for n, t, q in zip(mine.index, mine["text"], mine["quantity"], strict=True)})

    assert wrong(values, mine.index) == []
    assert referred_to_25c(resolve("conductivity", "µS/cm (50 °C)", "")).problem == "unit-unknown"
