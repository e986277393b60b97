"""The uncertainty of readings whose file states none, by method and quantity."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.reference import table as reference

if TYPE_CHECKING:
    import pandas as pd


def with_uncertainty(table: pd.DataFrame) -> pd.DataFrame:
    """Give every reading an expanded uncertainty (k = 2) and its bounds.

    Parameters
    ----------
    table : readings in the making; an `uncertainty` and bounds that are known (drops) are kept.

    Returns
    -------
    A new table with `uncertainty value_low value_high`; a censored reading has 0 to its limit (below)
    or from its limit upwards.

    Notes
    -----
    U = max(relative · value, absolute) from ``reference/method_uncertainty.csv``; the bounds are
    value ± U, not below 0.
    """
    limits = reference("method_uncertainty")
    pairs = zip(limits["relative"].astype("float64"), limits["absolute"].astype("float64"), strict=True)
    known = dict(zip(zip(limits["analyte"], limits["method"], strict=True), pairs, strict=True))
    methods, analytes = list(table["method"].cat.categories), list(table["analyte"].cat.categories)
    grid = np.array(
        [
            [known.get((analyte, method), known.get(("*", method), known["*", "unknown"])) for method in methods]
            for analyte in analytes
        ]
    )
    pair = grid[table["analyte"].cat.codes.to_numpy(), table["method"].cat.codes.to_numpy()]
    value, limit = table["value"].to_numpy(), table["limit"].to_numpy()
    size = np.where(np.isnan(value), limit, value)
    usual = np.maximum(pair[:, 0] * np.abs(size), pair[:, 1])
    stated = table["uncertainty"].to_numpy()
    uncertainty = np.where(np.isnan(stated), usual, stated)
    above = (table["qualifier"] == ">").to_numpy()
    floor = np.where((table["analyte"] == "temperature").to_numpy(), -np.inf, 0.0)
    low = np.where(np.isnan(value), np.where(above, limit, 0.0), np.maximum(value - uncertainty, floor))
    high = np.where(np.isnan(value), np.where(above, np.nan, limit), value + uncertainty)
    known_low, known_high = table["value_low"].to_numpy(), table["value_high"].to_numpy()
    return table.assign(
        uncertainty=uncertainty,
        value_low=np.where(np.isnan(known_low), low, known_low),
        value_high=np.where(np.isnan(known_high), high, known_high),
    )
