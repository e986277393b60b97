"""A store with a few samples, and the commands asked as a person asks them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

SHEET = (
    "Sample,Client,Site,Sampling date,pH,Total hardness (mg/L as CaCO3),Calcium hardness (mg/L as CaCO3)\n"
    "A-1,Client One,Bar,2025-03-01,7.4,200,150\n"
    "A-2,Client One,Bar,2025-04-01,7.5,100,150\n"
    "B-1,Client Two,Office,2025-03-02,74,200,150\n"
)


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder of results: A-1 agrees with itself, A-2 and B-1 do not."""
    out = tmp_path_factory.mktemp("results")
    sheet = tmp_path_factory.mktemp("in") / "sheet.csv"
    sheet.write_text(SHEET, encoding="utf-8")
    CliRunner().invoke(main, ["intake", str(sheet), "--out", str(out)])
    return out


@pytest.fixture
def ask(folder: Path) -> Callable[..., Result]:
    """Run a command on that store."""

    def run(*words: str) -> Result:
        return CliRunner().invoke(main, [*words, "--store", str(folder / "kettlestone.duckdb")])

    return run
