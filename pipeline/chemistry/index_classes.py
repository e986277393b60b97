"""The published words for an index, and how far an index stands from the full calculation."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.reference import table

if TYPE_CHECKING:
    from pipeline.arrays import Floats


_CLASSES: Final = table("index_classes")
_DEVIATION: Final = table("index_deviation")


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


def full_range(form: str, index: Floats, temperature_c: Floats, ph: Floats) -> tuple[Floats, Floats]:
    """Range in which the saturation index of a full speciation lies, given a simplified one.

    Parameters
    ----------
    form : ``"simple"`` or ``"sm2330"``.
    index, temperature_c, ph : (n,) Langelier index [-], temperature [°C] and pH [-].

    Returns
    -------
    two (n,) arrays, low and high [-]; missing where the deviation is not known.

    Notes
    -----
    SI = index - deviation, the 5 % and 95 % deviations of ``index_deviation.csv`` [SICOMP, SICOMP2];
    where two comparisons cover a water, the wider bound counts.
    """
    bands = _DEVIATION[_DEVIATION["form"] == form].drop(columns=["form", "source"]).to_numpy(dtype="float64")
    low, high = np.full_like(index, np.nan), np.full_like(index, np.nan)
    for coldest, warmest, ph_above, ph_most, _, p05, p95 in bands:
        inside = (temperature_c >= coldest) & (temperature_c <= warmest) & (ph > ph_above) & (ph <= ph_most)
        low = np.where(inside, np.fmin(low, index - p95), low)
        high = np.where(inside, np.fmax(high, index - p05), high)
    return low, high
