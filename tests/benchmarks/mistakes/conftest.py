"""What the tests of the planted mistakes share: the way to the modules beside them, and one small measurement."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(scope="session")
def judged() -> pd.DataFrame:
    """Plant, check and explain three hundred records once."""
    import run  # noqa: PLC0415 - found beside this file only now

    found: pd.DataFrame = run.measure(300, 20261125)
    return found
