"""Whatever the program fails at, the rest of a batch is done: one file, one sheet, one check, one page at a time."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import openpyxl
import pytest
from click.testing import CliRunner

from pipeline import batch, files_together, gathering, one_file
from pipeline.checks.registry import CHECKS
from pipeline.cli import main
from pipeline.normalise.table_stack import stack_tables
from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

pytestmark = pytest.mark.faults

HEADINGS = "Sample,Site,pH,Calcium (mg/L),Magnesium (mg/L),Chloride (mg/L),Alkalinity (mg/L as CaCO3)"
ERRORS = (KeyError("x"), MemoryError(), RecursionError("too deep"), ModuleNotFoundError("No module named 'calamine'"))


def table(site: str) -> str:
    rows = [f"{site}-{number},{site},7.{number},{60 + number},11,25,{150 + number}" for number in range(1, 4)]
    return "\n".join([HEADINGS, *rows]) + "\n"


@pytest.fixture
def evening(tmp_path: Path) -> Path:
    """Give the three files of an evening."""
    folder = tmp_path / "evening"
    folder.mkdir()
    for name in ("a", "bad", "c"):
        (folder / f"{name}.csv").write_text(table(name), encoding="utf-8")
    return folder


def taken(folder: Path) -> tuple[Result, dict[str, Any]]:
    """Take a folder in and give what was said and the summary."""
    out = folder.parent / "out"
    result = CliRunner().invoke(main, ["intake", str(folder), "--out", str(out)])
    (summary,) = out.glob("*/summary.json")
    return result, json.loads(summary.read_text(encoding="utf-8"))


def at(named: str, error: Exception, function: Callable[..., Any], names: Callable[..., str]) -> Callable[..., Any]:
    """Let a function fail where what it is called with has a name."""

    def failing(*given: Any, **more: Any) -> Any:  # noqa: ANN401 - as the function
        if named in names(*given):
            raise error
        return function(*given, **more)

    return failing


def is_whole_but_for_the_bad(result: Result, summary: dict[str, Any], folder: Path) -> dict[str, str]:
    """Prove that the two good files are stored; give what was said of each bad one, all of it in the log."""
    (log,) = (folder.parent / "out").glob("fault-*.log")
    status = {one["name"].rpartition("/")[2]: (one["status"], one["accepted"]) for one in summary["files"]}
    told = {row["name"]: row["message"] for row in summary["notices"] if row["problem"] == "file-unreadable"}
    bad = {path.name for path in folder.iterdir() if "bad" in path.name}
    assert result.exit_code == 1
    assert status == {"a.csv": ("read", 15), **dict.fromkeys(bad, ("not understood", 0)), "c.csv": ("read", 15)}
    assert {name.rpartition("/")[2] for name in told} == bad
    assert all("a fault of the program" in message and log.name in message for message in told.values())
    assert f"Log: {log}" in result.stderr
    assert "Traceback (most recent call last)" in log.read_text(encoding="utf-8")
    with Store(folder.parent / "out" / "kettlestone.duckdb", read_only=True) as store:
        assert store.connection.execute("SELECT count(*) FROM reading").fetchall() == [(30,)]
    return {name.rpartition("/")[2]: message for name, message in told.items()}


def test_a_reader_that_fails_at_some_files(evening: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In four ways, each at a file of its own."""
    (evening / "bad.csv").unlink()
    failing = one_file.grids
    for error in ERRORS:
        name = f"bad {type(error).__name__}"
        (evening / f"{name}.csv").write_text(table(name), encoding="utf-8")
        failing = at(name, error, failing, lambda content, *_: content.name)
    for module in (one_file, files_together):
        monkeypatch.setattr(module, "grids", failing)

    told = is_whole_but_for_the_bad(*taken(evening), evening)

    assert all(type(error).__name__ in told[f"bad {type(error).__name__}.csv"] for error in ERRORS)


def test_a_rule_that_fails_at_one_file_among_those_normalised_together(
    evening: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def names(tables: Any, *_: object) -> str:  # noqa: ANN401 - tables of an intake
        return " ".join(stack_tables(tables, [""] * len(tables)).rows["site"])

    monkeypatch.setattr(gathering, "normalise", at("bad", ZeroDivisionError("0"), gathering.normalise, names))

    is_whole_but_for_the_bad(*taken(evening), evening)


def test_whatever_fails_after_the_files_were_put_together_is_traced_to_its_file(
    evening: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def names(_store: object, gathered: Any, *_: object) -> str:  # noqa: ANN401 - of a batch
        return " ".join(gathered.rows["site"].astype("str"))

    monkeypatch.setattr(batch, "join", at("bad", OverflowError("1e308"), batch.join, names))

    is_whole_but_for_the_bad(*taken(evening), evening)


def test_what_fails_at_all_files_alike_is_a_fault_and_stores_nothing(
    evening: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batch, "join", at("", OverflowError("1e308"), batch.join, lambda *_: ""))

    result = CliRunner().invoke(main, ["intake", str(evening), "--out", str(evening.parent / "out")])

    assert result.exit_code == 3
    assert "Nothing was stored" in result.stderr


def test_a_sheet_that_fails_leaves_the_others_of_its_workbook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, book = tmp_path / "evening", openpyxl.Workbook()
    folder.mkdir()
    for name in ("North", "South", "West"):
        sheet = book.create_sheet(name)
        for row in table(name).splitlines():
            sheet.append([float(cell) if cell.replace(".", "").isdigit() else cell for cell in row.split(",")])
    book.remove(book.worksheets[0])
    packed = io.BytesIO()
    book.save(packed)
    (folder / "sites.xlsx").write_bytes(packed.getvalue())
    monkeypatch.setattr(one_file, "extract", at("South", KeyError(1), one_file.extract, lambda grid, *_: grid.sheet))

    result, summary = taken(folder)

    (told,) = [row for row in summary["notices"] if row["problem"] == "sheet-unreadable"]
    assert result.exit_code == 1
    assert summary["entries"]["accepted"] == 30
    assert told["places"] == ["South"]
    assert "Log: " in result.stderr


def test_what_fails_in_the_judgement_is_not_evaluated_and_told(evening: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A check, the weighing of causes and the assessment."""

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    failing = {"hardness-sum", "single-mistake", "assessment"}
    monkeypatch.setitem(CHECKS, "hardness-sum", replace(CHECKS["hardness-sum"], function=broken))
    for function in ("pipeline.batch.assess", "pipeline.prove.explain"):
        monkeypatch.setattr(function, broken)

    result, summary = taken(evening)

    (told,) = [row for row in summary["notices"] if row["problem"] == "not-worked-out"]
    assert result.exit_code == 1
    assert summary["entries"]["accepted"] == 45
    assert set(told["places"]) == set(summary["faults"]) == failing
    assert "not evaluated: a fault of the program, ZeroDivisionError" in told["message"]
    counts = {one["check_id"]: (one["evaluated"], one["not_evaluated"]) for one in summary["checks"]}
    assert [counts[check_id] for check_id in failing & CHECKS.keys()] == [(0, 9)] * len(failing & CHECKS.keys())
    with Store(evening.parent / "out" / "kettlestone.duckdb", read_only=True) as store:
        stored = store.connection.execute("SELECT message FROM notice WHERE problem = 'not-worked-out'").fetchall()
    assert len(stored) == len(failing)
    assert (told["message"],) in stored


def test_pages_that_fail_leave_the_batch(evening: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page, a table, and a part of the summary."""

    def fails(*_: object, **__: object) -> None:
        raise TypeError

    for broken in ("folder.batch_page", "folder._explanations", "summary.work_list"):
        monkeypatch.setattr(f"pipeline.report.batch.{broken}", fails)

    result, summary = taken(evening)

    assert result.exit_code == 1
    assert summary["entries"]["accepted"] == 45
    assert sorted(summary["faults"]) == ["explanations.csv", "summary.html", "summary: work"]
    assert not [path for name in summary["faults"] for path in (evening.parent / "out").glob(f"*/{name}")]
    assert "Log: " in result.stderr
