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
    each = [
        known.get((analyte, method), known.get(("*", method), known["*", "unknown"]))
        for analyte in analytes
        for method in methods
    ]
    relative, absolute = np.array(each, dtype="float64").reshape(-1, 2).T
    pair = table["analyte"].cat.codes.to_numpy() * np.int64(len(methods)) + table["method"].cat.codes.to_numpy()
    value, limit = table["value"].to_numpy(), table["limit"].to_numpy()
    censored = np.isnan(value)
    size = np.where(censored, limit, value)
    usual = np.maximum(relative[pair] * np.abs(size), absolute[pair])
    stated = table["uncertainty"].to_numpy()
    uncertainty = np.where(np.isnan(stated), usual, stated)
    low, high = value - uncertainty, value + uncertainty
    negative = np.flatnonzero((low < 0) & (table["analyte"] != "temperature").to_numpy())
    low[negative] = 0.0
    rows = np.flatnonzero(censored)
    above = (table["qualifier"].iloc[rows] == ">").to_numpy()
    low[rows], high[rows] = np.where(above, limit[rows], 0.0), np.where(above, np.nan, limit[rows])
    known_low, known_high = table["value_low"].to_numpy(), table["value_high"].to_numpy()
    return table.assign(
        uncertainty=uncertainty,
        value_low=np.where(np.isnan(known_low), low, known_low),
        value_high=np.where(np.isnan(known_high), high, known_high),
    )
