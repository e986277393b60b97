"""How a value was obtained. Order is preference: the first one wins where a sample has several."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, cast

import pandas as pd

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

# Common practice: a laboratory titration outranks a kit; a meter outranks a strip; a number typed beside
# a count, a label or an agency's statement comes last; `derived` never replaces a reading.
METHODS: Final[tuple[str, ...]] = (
    "laboratory",
    "burette",
    "photometer",
    "meter",
    "drops",
    "public-data",
    "label",
    "typed",
    "strip",
    "calculated",
    "unknown",
    "derived",
)
# How an entry is written: a value, a number of drops, a value typed beside a count, a burette reading.
FORMS: Final[tuple[str, ...]] = ("value", "drops", "typed", "titrant_ml")
QUALIFIERS: Final[tuple[str, ...]] = ("", "<", ">", "~")
METHOD_RANK: Final[dict[str, int]] = {method: rank for rank, method in enumerate(METHODS)}


def from_codes(codes: npt.NDArray[np.integer[Any]]) -> pd.Categorical[str]:
    """Turn positions in METHODS into a category column; -1 = no value."""
    return cast("pd.Categorical[str]", pd.Categorical.from_codes(pd.Index(codes), categories=pd.Index(METHODS)))
