"""The typed contract of readings, checked over the distinct kinds of readings."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrors

from schemas.columns import ANALYTES
from schemas.contracts import words
from schemas.tables import READINGS

# Quantities that may be below zero.
SIGNED: Final[frozenset[str]] = frozenset({"temperature", "redox", "saturation_index"})

# What tells one kind of reading from another, as far as the contract is concerned.
KIND_COLUMNS: Final[list[str]] = [
    "analyte",
    "unit",
    "basis",
    "qualifier",
    "method",
    "has_value",
    "has_limit",
    "negative",
    "finite",
]


Kind = tuple[Any, ...]
_FIELDS: Final = {field.name: field for field in READINGS}


def _own_unit(kinds: pd.DataFrame) -> pd.Series:
    expected = kinds["analyte"].map({code: analyte.unit for code, analyte in ANALYTES.items()})
    return (kinds["unit"] == expected) | expected.isna()


# The error of each check is the code of the problem it stands for.
READING_KINDS: Final = pa.DataFrameSchema(
    {
        "analyte": pa.Column(str),
        "unit": pa.Column(str),
        "basis": pa.Column(str),
        "qualifier": words(_FIELDS["qualifier"], "number-unreadable"),
        "method": words(_FIELDS["method"], "field-unreadable"),
        "has_value": pa.Column(bool),
        "has_limit": pa.Column(bool),
        "negative": pa.Column(bool),
        "finite": pa.Column(bool, pa.Check.equal_to(value=True, error="number-unreadable")),
    },
    checks=[
        pa.Check(lambda kinds: kinds["has_value"] ^ kinds["has_limit"], error="not-detected-without-limit"),
        pa.Check(lambda kinds: ~kinds["negative"] | kinds["analyte"].isin(SIGNED), error="negative-value"),
        pa.Check(_own_unit, error="unit-unknown"),
    ],
    strict=True,
)


def broken_kinds(kinds: pd.DataFrame) -> pd.Series:
    """Validate all kinds at once.

    Parameters
    ----------
    kinds : (k, 9) distinct kinds of readings, KIND_COLUMNS, RangeIndex.

    Returns
    -------
    (k,) the code of the first problem of each kind, "" where the contract holds.
    """
    rows = list(zip(*(kinds[name] for name in KIND_COLUMNS), strict=True))
    breaches = _breaches(tuple(dict.fromkeys(rows)))
    return pd.Series([breaches[row] for row in rows], index=kinds.index, dtype="str")


@lru_cache(maxsize=64)
def _breaches(rows: tuple[Kind, ...]) -> dict[Kind, str]:
    """Validate distinct kinds; the same kinds occur in file after file."""
    kinds = pd.DataFrame(rows, columns=KIND_COLUMNS)
    problem = dict.fromkeys(rows, "")
    try:
        READING_KINDS.validate(kinds, lazy=True)
    except SchemaErrors as errors:
        cases = errors.failure_cases.dropna(subset=["index"])
        structural = errors.failure_cases[errors.failure_cases["index"].isna()]
        if len(structural):
            raise ValueError(f"the table of readings breaks its contract: {structural.to_dict('records')}") from errors
        first = cases.drop_duplicates("index")
        for place, code in zip(first["index"].astype("int64"), first["check"].astype("str"), strict=True):
            problem[rows[place]] = code
    return problem
