"""The array types of the chemistry: 64-bit floats and flags."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]
Flags: TypeAlias = npt.NDArray[np.bool_]
Codes: TypeAlias = npt.NDArray[np.int64]
Places: TypeAlias = npt.NDArray[np.intp]


def floats(values: npt.ArrayLike) -> Floats:
    """Take a column, list or array as an array of 64-bit floats."""
    return np.asarray(values, dtype=np.float64)
