"""The arrays that the calculations pass to each other, by what they hold."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]
Flags: TypeAlias = npt.NDArray[np.bool_]
Codes: TypeAlias = npt.NDArray[np.integer[Any]]  # numbers that stand for texts, groups or notes
Places: TypeAlias = npt.NDArray[np.integer[Any]]  # positions of rows


def floats(values: npt.ArrayLike) -> Floats:
    """Take a column, list or array as an array of 64-bit floats."""
    return np.asarray(values, dtype=np.float64)
