"""Build sentences column-wise: a clause for the rows that need it, then all clauses of a row joined."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.problems import filled

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.arrays import Flags, Floats, Places


def clause(template: str, mask: Flags, values: Mapping[str, Floats] | pd.DataFrame) -> pa.Array:
    """Fill a template for the rows of a mask; the other rows have no clause (null).

    Parameters
    ----------
    template : as ``pipeline.problems.fill`` takes it.
    mask : (n,) rows that get the clause.
    values : (n,) columns the template names.
    """
    rows = np.flatnonzero(mask)
    picked = {name: _picked(values[name], rows) for name in _fields(template)}
    return _spread(filled(template, picked) if picked else pa.repeat(template, rows.size), mask)


def _picked(column: Floats | pd.Series, rows: Places) -> Floats | pa.Array:
    """Take some rows of a column, numbers or texts."""
    if isinstance(column, np.ndarray):
        return column[rows]
    some = column.iloc[rows]
    return some.to_numpy(dtype="float64") if pd.api.types.is_numeric_dtype(some) else _array(some)


def _fields(template: str) -> list[str]:
    """List the columns a template names."""
    return [part.partition("}")[0].partition(":")[0] for part in template.split("{")[1:]]


def joined(parts: Sequence[pa.Array | str], index: pd.Index, separator: str = "; ") -> pd.Series[str]:
    """Join the clauses of every row in order; rows without any get "".

    Parameters
    ----------
    parts : arrays as `clause` gives them, or a text for all rows.
    index : (n,) index of the result.
    separator : between two clauses.
    """
    if not parts:
        return pd.Series("", index=index, dtype="str")
    arrays = [pa.repeat(part, len(index)) if isinstance(part, str) else part for part in parts]
    some = np.zeros(len(index), dtype="bool")
    for array in arrays:
        some |= np.asarray(array.is_valid())
    # pyarrow drops rows that hold nothing at all, so only the others are joined.
    held = [array.filter(pa.array(some)) for array in arrays]
    texts = _spread(pc.binary_join_element_wise(*held, pa.scalar(separator), null_handling="skip"), some)
    return pd.Series(pd.array(texts.fill_null(""), dtype="str"), index=index)


def _array(texts: pd.Series[str]) -> pa.Array:
    array = pa.array(texts, type=pa.string(), from_pandas=True)
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


def _spread(texts: pa.Array, mask: Flags) -> pa.Array:
    """Lay texts out over the rows of a mask; null elsewhere."""
    return texts.take(pa.array(np.cumsum(mask) - 1, mask=~np.asarray(mask)))


def after(opening: str, texts: pd.Series[str], closing: str = "") -> pa.Array:
    """Put words around every text; no text, no words (null)."""
    array = _array(texts)
    framed = pc.binary_join_element_wise(pa.scalar(opening), array, pa.scalar(closing), pa.scalar(""))
    return pc.if_else(pc.equal(array, ""), pa.scalar(None, pa.string()), framed)
