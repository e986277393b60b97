"""`watch`: files are taken in when they are complete, once, and moved with their report."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from click.testing import CliRunner

from pipeline.cli import main
from pipeline.watching import Watched

if TYPE_CHECKING:
    from pathlib import Path

ROW = "Sample,pH,Calcium (mg/L)\nA-1,7.4,62\n"


def test_a_file_is_complete_when_it_is_the_same_at_two_looks(tmp_path: Path) -> None:
    file, watched = tmp_path / "a.csv", Watched(tmp_path)
    (tmp_path / "notes.docx").write_bytes(b"x")
    (tmp_path / ".hidden.csv").write_text(ROW, encoding="utf-8")
    file.write_text(ROW[:30], encoding="utf-8")

    assert watched.complete() == []
    file.write_text(ROW, encoding="utf-8")
    assert watched.complete() == []
    assert watched.complete() == [file]


def test_what_is_dropped_is_taken_in_once_and_moved_with_its_report(tmp_path: Path) -> None:
    inbox, out = tmp_path / "inbox", tmp_path / "out"
    inbox.mkdir()
    (inbox / "a.csv").write_text(ROW, encoding="utf-8")
    (inbox / "again.csv").write_text(ROW, encoding="utf-8")
    (inbox / "letter.txt").write_text("Dear client\n", encoding="utf-8")
    (inbox / "done").mkdir()
    (inbox / "done" / "a.csv").write_text("an earlier one", encoding="utf-8")

    said = CliRunner().invoke(main, ["watch", str(inbox), "--out", str(out), "--every", "0.1", "--looks", "3"])

    assert said.exit_code == 0, said.output
    found = {str(path.relative_to(inbox)) for path in inbox.rglob("*") if path.is_file()}
    files = {"done/a-2.csv", "done/again.csv", "failed/letter.txt"}
    assert found == {"done/a.csv", *files, *(f"{name}.report.json" for name in files)}
    report = json.loads((inbox / "failed" / "letter.txt.report.json").read_text(encoding="utf-8"))
    assert "no layout fits" in report["notices"][0]["message"]
    assert len(list(out.glob("*/summary.json"))) == 1
