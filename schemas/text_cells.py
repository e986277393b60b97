"""The contract of cells as received, checked over the distinct texts."""

from __future__ import annotations

from typing import Final

import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrors

LONGEST_CELL: Final = 200
# The characters themselves, not their escapes: those Arrow's expressions do not know, and pandas would go text by text.
_UNPRINTABLE: Final = "[\x00-\x08\x0e-\x1f\ufffd]"

TEXT_CELLS: Final = pa.DataFrameSchema(
    {
        "raw_text": pa.Column(
            str,
            [
                pa.Check.str_length(1, LONGEST_CELL, error="number-unreadable"),
                pa.Check(lambda text: ~text.str.contains(_UNPRINTABLE), error="number-unreadable"),
            ],
        ),
    },
    strict=True,
)


def broken_texts(texts: pd.Series) -> pd.Series:
    """Validate the distinct texts of a file at once.

    Parameters
    ----------
    texts : (t,) distinct cell texts, RangeIndex.

    Returns
    -------
    (t,) True where a text is empty, longer than 200 characters or not printable.
    """
    broken = pd.Series(data=False, index=texts.index)
    try:
        TEXT_CELLS.validate(pd.DataFrame({"raw_text": texts}), lazy=True)
    except SchemaErrors as errors:
        broken.loc[errors.failure_cases["index"].dropna().astype("int64")] = True
    return broken
