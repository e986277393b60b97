"""The array types of the chemistry: 64-bit floats and flags."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats: TypeAlias = npt.NDArray[np.float64]
Flags: TypeAlias = npt.NDArray[np.bool_]
Codes: TypeAlias = npt.NDArray[np.int64]
Places: TypeAlias = npt.NDArray[np.intp]


def floats(values: npt.ArrayLike) -> Floats:
    """Take a column, list or array as an array of 64-bit floats."""
    return np.asarray(values, dtype=np.float64)


def per_water(values: float | pd.Series[float], index: pd.Index, name: str) -> Floats:
    """Spread one value over all waters, or take a series that has the waters' own index.

    Raises
    ------
    ValueError : the series belongs to other rows, so its values would land on the wrong waters.
    """
    if isinstance(values, pd.Series) and not values.index.equals(index):
        raise ValueError(f"{name}: give a series with the index of the waters, in their order")
    return np.broadcast_to(floats(values), (len(index),))
