"""Fixtures of the check tests: the loader of cases and a builder of small sample tables."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

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
    """Read a case file into a sample table."""
    loader: Callable[[Path], SampleTable] = _MODULE.load_case
    return loader


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
