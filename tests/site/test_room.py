"""The room of the site: reports word and lay out what it answers, and reckon nothing themselves."""

from __future__ import annotations

import ast
import importlib
import inspect
from pathlib import Path

import pytest

import pipeline.report

REPORT = Path(pipeline.report.__file__).parent
COMPUTING = ("pipeline.treat", "pipeline.verify", "pipeline.assess")
# `assess` judges a water that is typed in, which no site has; the maps of waters ask for the profiles' corners.
OWN_ANSWER = {
    ("terminal/assess.py", "assess"),
    ("terminal/assess.py", "held_samples"),
    ("batch/chart.py", "boxes"),
    ("pictures/density.py", "boxes"),
}
MODULES = sorted(path.relative_to(REPORT).as_posix() for path in REPORT.rglob("*.py"))


def _imported(path: Path) -> list[tuple[str, str]]:
    """List what a module takes from the stages that compute, types that are only checked left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            node.body = []
    found = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module]
    return [(str(node.module), name.name) for node in found for name in node.names
            if str(node.module).startswith(COMPUTING)]  # fmt: skip


@pytest.mark.parametrize("module", MODULES)
def test_a_report_takes_no_function_from_a_stage_that_computes(module: str) -> None:
    computing = [
        name
        for source, name in _imported(REPORT / module)
        if inspect.isfunction(getattr(importlib.import_module(source), name, None)) and (module, name) not in OWN_ANSWER
    ]

    assert computing == []


def test_the_test_sees_a_function_that_is_imported(tmp_path: Path) -> None:
    (tmp_path / "page.py").write_text("from pipeline.verify import verify, Schedule\n", encoding="utf-8")

    assert _imported(tmp_path / "page.py") == [("pipeline.verify", "verify"), ("pipeline.verify", "Schedule")]
