"""The recipes of DEVELOPERS.md, followed to the letter in a copy of the package: nothing else has to be touched."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest

import pipeline
import schemas

if TYPE_CHECKING:
    from collections.abc import Callable

CHECK = '''"""Magnesium against calcium."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.checks.registry import check

if TYPE_CHECKING:
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class MagnesiumLimits:
    """Limits of magnesium."""

    most: float = 1.0  # mg of magnesium per mg of calcium [INVENTED]


@check(
    "magnesium-over-calcium",
    title="There is more calcium than magnesium",
    source="INVENTED",
    limits=MagnesiumLimits,
    severity="hold",
    message="magnesium / calcium is {observed:1}, more than {high:1}. {alternative}.",
)
def magnesium_over_calcium(samples: SampleTable, limits: MagnesiumLimits) -> Cases:
    """Compare magnesium with calcium.

    Two columns may be exchanged.
    """
    return {
        "observed": (samples.measured["magnesium_mg_l"] / samples.measured["calcium_mg_l"]).to_numpy(),
        "low": np.nan,
        "high": limits.most,
        "analyte": "magnesium calcium total_hardness",
        "alternative": "Exchanged columns would fit",
    }
'''
LAYOUT = {
    "name": "orchard-laboratory",
    "rank": 1,
    "kind": "measurements",
    "orientation": ["samples-in-rows"],
    "headings": "own",
    "needs": {"measurements": 2, "own": 3},
    "method": "laboratory",
    "decimalChar": ",",
    "fields": [
        {"name": "Pomona tag", "type": "string", "field": "label"},
        {"name": "Pomona H", "type": "string", "analyte": "total_hardness", "unit": "mmol/L"},
        {"name": "Pomona A", "type": "string", "analyte": "alkalinity", "unit": "mmol/L"},
    ],
}
FILES = {
    "layout.csv": "Pomona tag;Pomona H;Pomona A\nPT-1;2,00;3,00\n",
    "spelling.csv": "Sample,Total hardness (pomonic German degrees),pH\nSP-1,7,7.4\n",
    "unit.csv": "Sample,Total hardness (pomes),pH\nNU-1,7,7.4\n",
    "row.csv": (
        "Client,Site,Sample,Date,Machine,Total hardness (mg/L as CaCO3),Alkalinity (mg/L as CaCO3),pH,Chloride (mg/L)\n"
        "Bar Pomona,BP-1,RW-1,2025-03-12,dual boiler,95,40,7.4,12\n"
    ),
    "check.csv": (
        "Client,Site,Sample,Date,Machine,Calcium (mg/L),Magnesium (mg/L),Alkalinity (mg/L as CaCO3),pH\n"
        "Bar Magnesia,BM-1,CH-1,2025-03-12,dual boiler,20,40,200,7.4\n"
    ),
}
# Runs commands one after the other in a process that knows only the copy, and prints how each ended.
RUN = """
import json, sys, traceback
from click.testing import CliRunner
from pipeline.cli import main
done = []
for arguments in json.load(sys.stdin):
    result = CliRunner().invoke(main, arguments)
    fault = result.exception if not isinstance(result.exception, SystemExit) else None
    done.append([result.exit_code, result.stdout, "".join(traceback.format_exception(fault)) if fault else ""])
print(json.dumps([sys.modules["pipeline.cli"].__file__, done]))
"""


class Ended(NamedTuple):
    """How a command ended."""

    code: int
    said: str
    fault: str


class Copy(NamedTuple):
    """A copy of the package with every recipe followed, and what its commands gave."""

    package: Path
    samples: dict[str, dict[str, str]]
    findings: list[dict[str, str]]
    ended: dict[str, Ended]
    sheet: str


def _edited(path: Path, edit: Callable[[str], str]) -> None:
    before = path.read_text(encoding="utf-8")
    after = edit(before)
    assert after != before
    path.write_text(after, encoding="utf-8")


def _line_after(path: Path, start: str, line: str) -> None:
    """Add one line after the one that starts as given."""
    _edited(path, lambda text: "".join(f"{one}\n{line}\n" if one.startswith(start) else f"{one}\n"
                                       for one in text.splitlines()))  # fmt: skip


def _with_units(text: str) -> str:
    table: dict[str, Any] = json.loads(text)
    table["units"]["deg-german"]["spellings"].append("pomonic German degrees")
    table["units"]["deg-pome"] = {"expression": "12*mg/L", "form": "as CaCO3", "spellings": ["pomes"]}
    return json.dumps(table, ensure_ascii=False, indent=1)


def _follow_recipes(package: Path) -> None:
    """Do what DEVELOPERS.md says, and no more."""
    (package / "pipeline/checks/magnesium.py").write_text(CHECK, encoding="utf-8")
    _line_after(package / "pipeline/reference/sources.csv", "CP,", "INVENTED,Invented to try the recipe,from memory")
    (package / "schemas/layouts/orchard-laboratory.json").write_text(json.dumps(LAYOUT), encoding="utf-8")
    _edited(package / "schemas/units.json", _with_units)
    row = "0p,hardness > 90 and alkalinity < 50,none,choose.row.0p,,,CP"
    _line_after(package / "pipeline/reference/decision_rows.csv", "row,condition,", row)
    for language, reason in (("en", "Pomona says so."), ("de", "Pomona sagt es.")):
        _line_after(package / f"pipeline/words/{language}/choose.csv", "code,", f"choose.row.0p,{reason}")


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Copy:
    """Follow every recipe in a copy, read one file for each, and ask for advice and reports."""
    folder = tmp_path_factory.mktemp("recipes")
    package, inputs, out = (folder / name for name in ("package", "inputs", "out"))
    for module in (pipeline, schemas):
        source = Path(str(module.__file__)).parent
        shutil.copytree(source, package / source.name, ignore=shutil.ignore_patterns("__pycache__"))
    _follow_recipes(package)
    inputs.mkdir()
    for name, text in FILES.items():
        (inputs / name).write_text(text, encoding="utf-8")
    store = ["--store", str(out / "kettlestone.duckdb")]
    commands = {
        "intake": ["intake", str(inputs), "--out", str(out), *store],
        "checks": ["checks", "magnesium-over-calcium"],
        "advise on the check": ["advise", "BM-1", *store],
        "advise on the row": ["advise", "BP-1", *store],
        "advise in German": ["advise", "BP-1", "--language", "de", *store],
        "report": ["report", "BM-1", "--out", str(out / "sheet.html"), *store],
    }
    done = subprocess.run(  # noqa: S603 - our own code
        [sys.executable, "-c", RUN],
        input=json.dumps(list(commands.values())),
        capture_output=True, text=True, check=True, cwd=folder, env={**os.environ, "PYTHONPATH": str(package)},
    )  # fmt: skip
    used, ended = json.loads(done.stdout)
    assert Path(used).is_relative_to(package)
    batch = next(path for path in out.iterdir() if path.is_dir() and (path / "samples.csv").exists())
    return Copy(
        package,
        {row["label"]: row for row in _rows(batch / "samples.csv")},
        _rows(batch / "findings.csv"),
        {name: Ended(*one) for name, one in zip(commands, ended, strict=True)},
        (out / "sheet.html").read_text(encoding="utf-8"),
    )


def test_no_command_crashes(copy: Copy) -> None:
    assert {name: one.fault for name, one in copy.ended.items() if one.fault} == {}


def test_a_check_is_one_module_and_a_citation(copy: Copy) -> None:
    found = [row for row in copy.findings if row["check_id"] == "magnesium-over-calcium"]

    assert [(row["label"], row["severity"]) for row in found] == [("CH-1", "hold")]
    assert found[0]["message"] == "magnesium / calcium is 2.0, more than 1.0. Exchanged columns would fit."
    assert "Invented to try the recipe" in copy.ended["checks"].said


def test_a_check_without_words_is_asked_about_in_general(copy: Copy) -> None:
    assert "repeat the reading that is easiest to repeat" in copy.ended["advise on the check"].said
    assert "the readings do not agree with each other" in copy.sheet


def test_a_layout_is_one_file(copy: Copy) -> None:
    """2.00 mmol/L of hardness are 200.2 mg/L as CaCO3, at 100.09 g/mol."""
    assert float(copy.samples["PT-1"]["total_hardness_mg_l_caco3"]) == pytest.approx(200.2, abs=0.1)


def test_a_spelling_of_a_unit_is_one_line(copy: Copy) -> None:
    """7 German degrees at 17.848 mg/L as CaCO3."""
    assert float(copy.samples["SP-1"]["total_hardness_mg_l_caco3"]) == pytest.approx(124.9, abs=0.1)


def test_a_unit_is_one_entry(copy: Copy) -> None:
    assert float(copy.samples["NU-1"]["total_hardness_mg_l_caco3"]) == pytest.approx(7 * 12.0)


def test_a_row_of_the_decision_table_is_one_line_and_its_reason(copy: Copy) -> None:
    assert "Pomona says so." in copy.ended["advise on the row"].said
    assert "Pomona sagt es." in copy.ended["advise in German"].said
