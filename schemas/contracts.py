"""The contract of a table, from its declaration: words, what may not be empty, numbers, unique keys.

A frame is held against it by its distinct values, so that a large one costs no more than its variety.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrors

if TYPE_CHECKING:
    from schemas.fields import Field, Fields


@cache
def contract(fields: Fields) -> pa.DataFrameSchema:
    """Build the contract of a table over the distinct values of its columns.

    Parameters
    ----------
    fields : columns of the table; those about which nothing is declared are left out.
    """
    return pa.DataFrameSchema({field.name: _column(field) for field in fields if _bound(field)}, strict=True)


def breaches(fields: Fields, frame: pd.DataFrame) -> list[str]:
    """Hold a frame against the contract of its table.

    Parameters
    ----------
    fields : columns of the table; the frame may lack some and have others.
    frame : as it goes into the store.

    Returns
    -------
    what breaks the contract, as "column: value (rule)", a few words each; none where it holds.
    """
    bound = tuple(field for field in fields if _bound(field) and field.name in frame)
    values = {field.name: _distinct(field, frame[field.name]) for field in bound}
    longest = max((len(value) for value in values.values()), default=0)
    padded = {name: [*value, *[value[0]] * (longest - len(value))] for name, value in values.items()}
    try:
        contract(bound).validate(pd.DataFrame(padded), lazy=True)
    except SchemaErrors as errors:
        cases = errors.failure_cases.drop_duplicates(["column", "failure_case"])
        found = zip(cases["column"], cases["failure_case"], cases["check"], strict=True)
        return [f"{column}: {value} ({rule})" for column, value, rule in found]
    return []


def words(field: Field, error: str = "") -> pa.Column:
    """Declare a text column that holds only the words of its field; ``error`` names a breach."""
    allowed = field.words if field.required else (*field.words, "")
    return pa.Column(str, pa.Check.isin(allowed, error=error or f"one of {', '.join(filter(None, allowed))}"))


def _bound(field: Field) -> bool:
    return bool(field.words) or field.required or field.unique or field.kind == "number"


def _column(field: Field) -> pa.Column:
    if field.words:
        return words(field)
    rule = "a finite number or empty" if field.kind == "number" else "never empty" + ", never twice" * field.unique
    return pa.Column(bool, pa.Check.equal_to(value=True, error=rule))


def _distinct(field: Field, column: pd.Series) -> list[Any]:
    """Give the words of a column; of any other whether its rule holds. At least one entry."""
    if field.words:
        return [str(word) for word in column.drop_duplicates().astype("str").fillna("")]
    if field.kind == "number":
        return [not bool(np.isinf(column.to_numpy(dtype="float64", na_value=np.nan)).any())]
    empty = field.required and bool(column.isna().any() or (column == "").any())
    return [not empty and not (field.unique and column[column != ""].duplicated().any())]
