"""Fixtures of the assessment tests: small sample tables from a few columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import samples_from_wide

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.normalise.sample_table import SampleTable

SHORT = {
    "th": "total_hardness_mg_l_caco3",
    "cah": "calcium_hardness_mg_l_caco3",
    "alk": "alkalinity_mg_l_caco3",
    "ec": "conductivity_us_cm_25c",
    "ph": "ph",
    "temperature": "temperature_c",
    "ca": "calcium_mg_l",
    "mg": "magnesium_mg_l",
    "na": "sodium_mg_l",
    "k": "potassium_mg_l",
    "hco3": "bicarbonate_mg_l",
    "cl": "chloride_mg_l",
    "so4": "sulfate_mg_l",
    "no3": "nitrate_mg_l",
    "sio2": "silica_mg_l",
    "chlorine": "free_chlorine_mg_l",
    "fe": "iron_mg_l",
}


def build(**columns: object) -> SampleTable:
    """Build a filled table; `alk__u`, `alk__low`, `alk__high` state what is known of `alk`."""
    names = {}
    for name in columns:
        quantity, _, part = name.partition("__")
        names[name] = SHORT.get(quantity, quantity) + (f".{part}" if part else "")
    size = max((len(value) for value in columns.values() if isinstance(value, list)), default=1)
    spread = {names[key]: value if isinstance(value, list) else [value] * size for key, value in columns.items()}
    return with_derived(samples_from_wide(pd.DataFrame(spread)))


@pytest.fixture(scope="session")
def waters() -> Callable[..., SampleTable]:
    """Give the builder of sample tables."""
    return build
