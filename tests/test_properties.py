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

from pipeline.ingest.layouts import load
from pipeline.intake import read_file, run
from pipeline.problems import PROBLEMS, messages
from pipeline.settings import Settings
from schemas.columns import WIDE_COLUMNS

if TYPE_CHECKING:
    from random import Random

    from pipeline.stages import FileResult

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


def read(content: bytes, name: str) -> FileResult:
    """Take one file through reading and normalising, with a store of its own."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        out = Path(folder) / "out"
        return read_file(path, Settings(out=out, store=out / "kettlestone.duckdb"), load())


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


@settings(FEW, max_examples=15)
@given(st.sampled_from(VICTIMS), WOUNDS)
def test_a_mutilated_file_loses_nothing_and_stops_nothing(name: str, wounds: list[tuple[str, float, int]]) -> None:
    """Each entry is accepted or set aside with a reason; a file nobody can read says so."""
    content = (FOLDER / name).read_bytes()
    for how, where, size in wounds:
        content = wound(content, how, where, size)

    result = read(content, name)

    source = result.source
    assert source["status"] in {"read", "register", "not understood"}
    assert source["entries"] == source["accepted"] + source["set_aside"]
    assert (source["accepted"], source["set_aside"]) == (len(result.readings), len(result.set_aside))
    told = pd.concat([result.set_aside, result.notices], ignore_index=True)
    assert set(told["problem"]) <= set(PROBLEMS)
    assert (messages(told).str.len() > 0).all()
    assert source["status"] != "not understood" or len(told)


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

    result = read(content.encode(), "sheet.csv")

    table = list(csv.reader(io.StringIO(content), delimiter=delimiter))[1:]
    assert result.source["entries"] == sum(cell != "" for row in table for cell in row[2:])


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

    result = read(content, name)

    assert result.source["entries"] == sum(cell.strip() not in {"", "-"} for row in table for cell in row[first:])


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
        done = run([inputs], Settings(out=out, store=out / "kettlestone.duckdb", assess_most=0))
        samples = pd.read_csv(done.folder / "samples.csv", dtype={"label": "str"})
    kept = ["label", "sample_id", "verdict", *(name for name in WIDE_COLUMNS if name in samples)]
    return samples[kept].sort_values("label").reset_index(drop=True)


@cache
def whole() -> tuple[list[str], pd.DataFrame]:
    """Give the rows of the file, and what the tool says of them as they stand."""
    rows = (FOLDER / DEALT).read_text(encoding="latin-1").splitlines()[1:]
    return rows, judged([rows])


@settings(FEW, max_examples=2)
@given(st.randoms(use_true_random=False))
def test_the_order_of_the_rows_changes_no_number_and_no_verdict(random: Random) -> None:
    rows, expected = whole()
    shuffled = list(rows)
    random.shuffle(shuffled)

    pd.testing.assert_frame_equal(judged([shuffled]), expected)


@settings(FEW, max_examples=2)
@given(st.lists(st.booleans(), min_size=40, max_size=40))
def test_rows_dealt_over_two_files_give_the_same_samples(sides: list[bool]) -> None:
    rows, expected = whole()
    first = [row for row, side in zip(rows, sides, strict=False) if side]
    second = [row for row, side in zip(rows, sides, strict=False) if not side]

    pd.testing.assert_frame_equal(judged([part for part in (first, second) if part]), expected)
