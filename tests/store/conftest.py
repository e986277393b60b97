"""What the tests of the store share: an empty store, made once and copied."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Iterator

sys.path.insert(0, str(Path(__file__).parent))  # for the builders of batches


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("empty") / "s.duckdb"
    with Store(path):
        return path


@pytest.fixture
def store(tmp_path: Path, empty_store: Path) -> Iterator[Store]:
    shutil.copy(empty_store, tmp_path / "s.duckdb")
    with Store(tmp_path / "s.duckdb") as opened:
        yield opened
