"""The numbers that are taken for measurements; any other is set aside and never computed with."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from pipeline.reference import table as reference
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags

_OTHERS = "*"


@cache
def _bounds() -> dict[str, tuple[float, float]]:
    """Give least and most of every quantity in its canonical unit; no least where 0 and less can be."""
    known = reference("plausible_numbers")
    bounds = known[["least", "most"]].astype("float64").itertuples(index=False, name=None)
    return dict(zip(known["quantity"], bounds, strict=True))


def absurd_numbers(number: pd.Series, quantity: str) -> Flags:
    """Tell the numbers that no measurement of a quantity gives; what is missing is none of them."""
    least, most = _bounds()[quantity]
    return np.asarray((number < least) | (number.abs() > most))


def absurd_readings(table: pd.DataFrame) -> Flags:
    """Tell the readings whose value or limit no measurement of their quantity gives.

    Parameters
    ----------
    table : readings in the making: `analyte value limit`, canonical units.
    """
    known = _bounds()
    most = TextColumn.from_series(table["analyte"]).answers(lambda name: known.get(name, known[_OTHERS])[1])
    value, limit = (np.abs(table[name].to_numpy(dtype="float64")) for name in ("value", "limit"))
    return np.asarray((value > most) | (limit > most))
