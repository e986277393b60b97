"""The Pythons that the fast tests are run on."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location("interpreters", Path(__file__).with_name("interpreters.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
interpreters = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(interpreters)


def program(path: Path, says: str) -> Path:
    """Write a program that answers as a Python would."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"#!/bin/sh\n{says}\n", encoding="utf-8")
    path.chmod(0o755)
    return path


def test_every_minor_version_is_taken_once_from_the_path_before_other_places(tmp_path: Path) -> None:
    versions = tmp_path / "home" / ".pyenv" / "versions"
    on_path = program(tmp_path / "bin" / "python3.12", "echo cpython 3 12")
    program(versions / "3.12.1" / "bin" / "python3", "echo cpython 3 12")
    newer = program(versions / "3.13.0" / "bin" / "python3", "echo cpython 3 13")

    found = interpreters.usable(interpreters.candidates(str(tmp_path / "bin"), tmp_path / "home"))

    assert found == {(3, 12): on_path, (3, 13): newer}


@pytest.mark.parametrize(
    "says",
    ["echo cpython 3 10", "echo pypy 3 11", "echo not found >&2; exit 127", "exit 0"],
    ids=["too old", "another Python", "a shim without its version", "silent"],
)
def test_what_the_project_does_not_run_on_is_passed_over(tmp_path: Path, says: str) -> None:
    assert interpreters.usable([program(tmp_path / "python3.11", says), tmp_path / "missing"]) == {}


def test_the_python_that_runs_this_test_is_one_of_them() -> None:
    assert list(interpreters.usable([Path(sys.executable)])) == [sys.version_info[:2]]
