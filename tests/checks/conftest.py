"""Fixtures of the check tests: the loader of cases and a builder of small sample tables."""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    import pandas as pd

    from pipeline.normalise.sample_table import SampleTable


def _cases() -> ModuleType:
    """Import ``cases.py`` by its place: the test folders are no packages."""
    spec = importlib.util.spec_from_file_location("check_cases", Path(__file__).with_name("cases.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_MODULE = _cases()


@pytest.fixture(scope="session")
def case_folder() -> Path:
    """Where the good and bad cases are."""
    folder: Path = _MODULE.FOLDER
    return folder


@pytest.fixture(scope="session")
def load_case() -> Callable[[Path], SampleTable]:
    """Read a file into a sample table; the good and bad cases, which stay as they are, once each."""
    read: Callable[[Path], SampleTable] = _MODULE.load_case
    case = cache(read)
    return lambda path: case(path) if path.is_relative_to(_MODULE.FOLDER) else read(path)


@pytest.fixture(scope="session")
def table_of() -> Callable[..., SampleTable]:
    """Build a sample table from a few columns."""
    builder: Callable[..., SampleTable] = _MODULE.table_of
    return builder


@pytest.fixture(scope="session")
def join() -> Callable[[dict[str, SampleTable]], SampleTable]:
    """Lay several cases under one another."""
    joiner: Callable[[dict[str, SampleTable]], SampleTable] = _MODULE.join
    return joiner


@pytest.fixture
def table(tmp_path: Path, load_case: Callable[[Path], SampleTable]) -> Callable[[str], SampleTable]:
    """Read a few lines of CSV the way the case files are read."""

    def read(lines: str) -> SampleTable:
        path = tmp_path / "table.csv"
        path.write_text(lines.strip() + "\n", encoding="utf-8")
        return load_case(path)

    return read


@pytest.fixture
def findings() -> Callable[..., pd.DataFrame]:
    """Run one check with the default limits, or with limits given."""

    def run(check_id: str, samples: SampleTable, limits: Limits | None = None) -> pd.DataFrame:
        return run_check(CHECKS[check_id], samples, limits or Limits())[0]

    return run
