"""Nothing that a file says commands the terminal, turns what is read, or runs in a spreadsheet or a browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline import visible
from pipeline.cli import main

# Unicode Standard Annex 9 lists the signs of direction, ECMA-48 C0 and C1; OWASP the beginnings of formulas.
COMMANDS = re.compile("[\x00-\x08\x0b-\x1f\x7f\x80-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
FORMULA = re.compile(r'(^|,|\n)"?[=+@][A-Za-z(]')
HOSTILE = (
    "\x1b[2J\x1b]0;title\x07",
    "\u202e7.4 Hp\u202c",
    "\x9b31mred",
    "\u2066hidden\u2069",
    "=HYPERLINK(1)",
    '"two lines\n=1+2"',
    "@SUM(1)",
    "<script>alert(1)</script>",
)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Take in a sheet whose every text is hostile, and gather all that is shown of it."""
    folder = tmp_path_factory.mktemp("hostile")
    headings = "Sample,Client,Site,Comment,pH,Conductivity (µS/cm),Total hardness (mg/L as CaCO3),Colour\x1b[31m\n"
    rows = (f"{text},{text},{text},{text},74,{500 + n},210,{text}\n" for n, text in enumerate(HOSTILE))
    plain = "".join(f"P-{n},Client,Site,nothing to say of this one,7.4,{500 + n},210,clear\n" for n in range(60))
    (folder / "sheet.csv").write_text(headings + "".join(rows) + plain, encoding="utf-8")
    out, store = folder / "out", folder / "out" / "kettlestone.duckdb"
    shown = {}
    for words in (
        ["intake", str(folder / "sheet.csv"), "--out", str(out)],
        ["findings", "--store", str(store)],
        ["explain", HOSTILE[0], "--store", str(store)],
        ["query", "SELECT label, client, comment FROM v_sample", "--store", str(store)],
        ["site", "list", "--store", str(store)],
    ):
        result = CliRunner().invoke(main, words)
        assert result.exit_code in (0, 1), result.output
        shown[words[0]] = result.output
    for page in out.glob("*/*.*"):
        shown[page.name] = page.read_text(encoding="utf-8")
    return shown


def test_signs_that_command_are_shown_as_signs(told: dict[str, str]) -> None:
    assert {name: COMMANDS.findall(text) for name, text in told.items() if name != "summary.json"} == {
        name: [] for name in told if name != "summary.json"
    }
    assert "␛[2J" in told["samples.csv"]
    assert "⟨U+202E⟩7.4 Hp" in told["query"]


def test_no_cell_of_a_table_begins_like_a_formula(told: dict[str, str]) -> None:
    for name in ("samples.csv", "findings.csv", "explanations.csv", "set_aside.csv"):
        assert FORMULA.findall(told[name]) == [], name
    assert "'=HYPERLINK(1)" in told["samples.csv"]
    assert "two lines\n'=1+2" in told["samples.csv"]


def test_the_page_runs_and_fetches_nothing(told: dict[str, str]) -> None:
    assert "default-src 'none'" in told["summary.html"]
    assert "<script" not in told["summary.html"]


def test_what_is_printed_goes_through_one_gate() -> None:
    package = Path(visible.__file__).parent
    others = [path.name for path in package.rglob("*.py") if re.search(r"click\.echo\(", path.read_text("utf-8"))]

    assert [name for name in others if name != "visible.py"] == []
