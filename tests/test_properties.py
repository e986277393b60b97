"""What holds whatever is done to a file: nothing is lost, nothing crashes, order and division do not matter."""

from __future__ import annotations

import csv
import io
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.gathering import Gathered, gather, normalised_files
from pipeline.ingest.layouts import load_layouts
from pipeline.intake import run
from pipeline.one_file import read_file
from pipeline.problems import PROBLEMS, messages
from pipeline.settings import Settings
from schemas.columns import WIDE_COLUMNS

if TYPE_CHECKING:
    from random import Random

FOLDER: Final = Path(__file__).parent.parent / "sample_inputs"
FEW: Final = settings(
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
VICTIMS: Final = [
    "office_sheet.csv",
    "labor_quellmark.csv",
    "laboratorio_lumarra.csv",
    "labo_brumevalle.csv",
    "tropfentest_quellmark.csv",
    "portal_results.csv",
    "suishitsu_kakuu.csv",
    "meter_ec07.txt",
    "second_bench.csv.gz",
    "workbook_permeate.xlsx",
    "tabelle_quellmark.ods",
]
INSERTED: Final = [b";", b",", b"\t", b'"', b"\n", b"\r", b"\x00", b"\xff", b" ", b"<", b"=1+1", "é".encode(), b"-"]


def gathered(*files: tuple[str, bytes]) -> Gathered:
    """Take files from bytes to readings, together, with a store of their own."""
    with TemporaryDirectory() as folder:
        out = Path(folder) / "out"
        chosen = Settings(out=out, store=out / "kettlestone.duckdb")
        results = []
        for number, (name, content) in enumerate(files):
            path = Path(folder) / f"{number} {name}"
            path.write_bytes(content)
            results.append(read_file(path, chosen, load_layouts()))
        return gather(normalised_files(results, chosen))


def entries(name: str, content: bytes) -> int:
    return int(gathered((name, content)).files["entries"].sum())


def wound(content: bytes, how: str, where: float, size: int) -> bytes:
    """Do one kind of damage at a place given as a share of the file."""
    at = int(where * len(content))
    line = content.rfind(b"\n", 0, at) + 1
    end = content.find(b"\n", at) + 1 or len(content)
    cells = content[line:end].replace(b"\t", b";").replace(b",", b";").split(b";")
    emptied = content[line:end].replace(cells[size % len(cells)] or b"\n", b"", 1)
    return {
        "cut": content[:at],
        "hole": content[:at] + content[at + size :],
        "line twice": content[:end] + content[line:end] + content[end:],
        "line away": content[:line] + content[end:],
        "insert": content[:at] + INSERTED[size % len(INSERTED)] + content[at:],
        "empty cell": content[:line] + emptied + content[end:],
    }[how]


WOUNDS: Final = st.lists(
    st.tuples(
        st.sampled_from(["cut", "hole", "line twice", "line away", "insert", "empty cell"]),
        st.floats(0, 1),
        st.integers(1, 60),
    ),
    min_size=1,
    max_size=4,
)


@settings(FEW, max_examples=10)
@given(st.lists(st.tuples(st.sampled_from(VICTIMS), WOUNDS), min_size=2, max_size=2))
def test_mutilated_files_lose_nothing_and_stop_nothing(victims: list[tuple[str, list[tuple[str, float, int]]]]) -> None:
    """Each entry is accepted or set aside with a reason; a file nobody can read says so."""
    damaged = []
    for name, wounds in victims:
        content = (FOLDER / name).read_bytes()
        for how, where, size in wounds:
            content = wound(content, how, where, size) if content else content
        damaged.append((name, content))

    found = gathered(*damaged)

    ledger = found.files
    assert set(ledger["status"]) <= {"read", "register", "known", "not understood"}
    assert (ledger["entries"] == ledger["accepted"] + ledger["set_aside"]).all()
    assert (ledger["accepted"].sum(), ledger["set_aside"].sum()) == (len(found.readings), len(found.set_aside))
    told = pd.concat([found.set_aside, found.notices], ignore_index=True)
    assert set(told["problem"]) <= set(PROBLEMS)
    assert (messages(told).str.len() > 0).all()
    assert set(ledger.loc[ledger["status"] == "not understood", "name"]) <= set(told["name"])


HEADINGS: Final = ["pH", "Calcium (mg/L)", "Chloride (mg/L)", "Total hardness (mg/L CaCO3)", "Conductivity (µS/cm)"]
CELLS: Final = st.one_of(
    st.just(""),
    st.integers(0, 900).map(str),
    st.floats(0, 90).map(lambda number: f"{number:.2f}"),
    st.sampled_from(["<0.5", "n.d.", "7,4", "abc", "12 mg/L", "3-4", "1.340", "2025-02-01", "=SUM(A1)", "O", "?"]),
)
ROWS: Final = st.lists(st.lists(CELLS, min_size=len(HEADINGS), max_size=len(HEADINGS)), min_size=1, max_size=12)


@settings(FEW, max_examples=12)
@given(ROWS, st.sampled_from([",", ";", "\t"]))
def test_every_filled_cell_is_an_entry(rows: list[list[str]], delimiter: str) -> None:
    """The csv module of Python counts the cells that are not empty; the ledger must have as many entries."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter)
    writer.writerow(["Sample", "Site", *HEADINGS])
    writer.writerows([f"S{number}", "X", *row] for number, row in enumerate(rows))
    content = text.getvalue()

    table = list(csv.reader(io.StringIO(content), delimiter=delimiter))[1:]
    assert entries("sheet.csv", content.encode()) == sum(cell != "" for row in table for cell in row[2:])


@pytest.mark.parametrize(
    ("name", "encoding", "delimiter", "first", "above"),
    [
        ("labor_quellmark.csv", "cp1252", ";", 8, 2),
        ("laboratorio_inventada.csv", "utf-8", ";", 3, 1),
        ("suishitsu_kakuu.csv", "utf-8-sig", ",", 3, 1),
        ("bottle_labels.csv", "utf-8", ",", 1, 1),
    ],
)
def test_the_reports_of_the_sample_inputs_are_counted_whole(
    name: str, encoding: str, delimiter: str, first: int, above: int
) -> None:
    """All columns from ``first`` on are measurements; "-" and the empty cell are no entries."""
    content = (FOLDER / name).read_bytes()
    table = list(csv.reader(io.StringIO(content.decode(encoding)), delimiter=delimiter))[above:]

    assert entries(name, content) == sum(cell.strip() not in {"", "-"} for row in table for cell in row[first:])


DEALT: Final = "laboratorio_lumarra.csv"


def judged(parts: list[list[str]]) -> pd.DataFrame:
    """Run the main job on the rows, a file for each part; give numbers and verdicts by label."""
    lines = (FOLDER / DEALT).read_text(encoding="latin-1").splitlines()
    with TemporaryDirectory() as folder:
        inputs = Path(folder) / "in"
        inputs.mkdir()
        for number, rows in enumerate(parts):
            (inputs / f"{number}.csv").write_text("\n".join([lines[0], *rows]) + "\n", encoding="latin-1")
        out = Path(folder) / "out"
        done = run([inputs], Settings(out=out, store=out / "kettlestone.duckdb", assess_most=0, explain_most=0))
        samples = pd.read_csv(done.folder / "samples.csv", dtype={"label": "str"})
    kept = ["label", "sample_id", "verdict", *(name for name in WIDE_COLUMNS if name in samples)]
    return samples[kept].sort_values("label").reset_index(drop=True)


@cache
def whole() -> tuple[list[str], pd.DataFrame]:
    """Give the rows of the file, and what the tool says of them as they stand."""
    rows = (FOLDER / DEALT).read_text(encoding="latin-1").splitlines()[1:]
    return rows, judged([rows])


@settings(FEW, max_examples=2)
@given(st.randoms(use_true_random=False), st.lists(st.booleans(), min_size=20, max_size=20))
def test_neither_order_nor_division_changes_a_number_or_a_verdict(random: Random, sides: list[bool]) -> None:
    """The rows shuffled and dealt over two files (or left in one) are the same samples with the same verdicts."""
    rows, expected = whole()
    shuffled = list(rows)
    random.shuffle(shuffled)
    first = [row for row, side in zip(shuffled, sides, strict=False) if side]
    second = [row for row in shuffled if row not in first]

    pd.testing.assert_frame_equal(judged([part for part in (first, second) if part]), expected)
