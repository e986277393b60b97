"""Compiled templates are kept under the rules that Python has for compiled modules."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest
from jinja2 import Environment, FileSystemLoader

from pipeline.report import compiled
from pipeline.report.compiled import BesideModules

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a package with a template and a folder for what Python compiles."""
    (tmp_path / "page.j2").write_text("{{ word }}, once", encoding="utf-8")
    (tmp_path / "__pycache__").mkdir()
    monkeypatch.setattr(compiled, "__file__", str(tmp_path / "compiled.py"))
    monkeypatch.setattr(sys, "pycache_prefix", None)
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    return tmp_path


def page(folder: Path) -> str:
    """Render the template as a run does that has just started."""
    environment = Environment(loader=FileSystemLoader(folder), autoescape=True, bytecode_cache=BesideModules())
    return environment.get_template("page.j2").render(word="told")


def test_a_template_is_compiled_once(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = page(folder)
    monkeypatch.delattr(Environment, "_generate")

    assert page(folder) == first == "told, once"
    assert len(list((folder / "__pycache__").iterdir())) == 1


def test_a_changed_template_is_compiled_again(folder: Path) -> None:
    page(folder)
    (folder / "page.j2").write_text("{{ word }}, anew", encoding="utf-8")

    assert page(folder) == "told, anew"


def test_nothing_is_written_where_python_was_told_to_write_none(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "dont_write_bytecode", True)

    assert page(folder) == "told, once"
    assert not list((folder / "__pycache__").iterdir())


def test_every_run_compiles_where_nothing_can_be_written(folder: Path) -> None:
    (folder / "__pycache__").rmdir()

    assert page(folder) == page(folder) == "told, once"
    assert not (folder / "__pycache__").exists()
