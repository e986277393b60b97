"""The published words for an index."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.reference import table

if TYPE_CHECKING:
    from pipeline.arrays import Floats


_CLASSES: Final = table("index_classes")


def highest_bound(index_name: str) -> float:
    """Value above which an index is in its last class, whatever it is."""
    return float(_CLASSES.loc[_CLASSES["index"] == index_name, "low"].max())


def classes(index_name: str, values: Floats, alkalinity_mg_l_caco3: Floats) -> pd.api.extensions.ExtensionArray:
    """Name the published class of each value.

    Parameters
    ----------
    index_name : an index of ``index_classes.csv``.
    values : (n,) [unit of the index].
    alkalinity_mg_l_caco3 : (n,) [mg/L as CaCO3]; some classes depend on it.

    Returns
    -------
    (n,) text array, empty where the value is missing. Any value has a class: the last one is open upwards.

    Example
    -------
    >>> list(classes("chloride_sulfate_mass_ratio", np.array([0.1, 0.9, 0.9]), np.array([20.0, 20.0, 60.0])))
    ['low', 'high', 'moderate']
    """
    rows = _CLASSES[_CLASSES["index"] == index_name]
    chosen = np.zeros(len(values), dtype="int64")
    belongs = (rows["low_belongs"] == "yes").to_numpy()
    lows = rows["low"].to_numpy(dtype="float64")
    least = rows["alkalinity_low"].to_numpy(dtype="float64")
    below = rows["alkalinity_below"].to_numpy(dtype="float64")
    for number in range(len(rows)):
        inside = values >= lows[number] if belongs[number] else values > lows[number]
        inside &= np.isnan(least[number]) | (alkalinity_mg_l_caco3 >= least[number])
        inside &= np.isnan(below[number]) | (alkalinity_mg_l_caco3 < below[number])
        chosen = np.where(inside, number + 1, chosen)
    return pd.array(["", *rows["class"]], dtype="str").take(chosen)
