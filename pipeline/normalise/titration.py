"""Titrations: drops of a kit, a burette, and the split of alkalinity into its forms."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[np.float64]

RECTANGULAR: Final = 1.0 / np.sqrt(3.0)  # half width to standard uncertainty [JCGM100]
DROP_SIZE: Final = 0.05  # standard uncertainty of the size of a drop, relative [CP]
SAMPLE_VOLUME: Final = 0.03  # standard uncertainty of a vial filled to its mark, relative [CP]


def value_of_drops(drops: Array, degree: Array, nominal_ml: Array, used_ml: Array) -> pd.DataFrame:
    """Turn a drop count into a concentration, as the trade reads it and as it is known.

    The drop that turns the colour is counted, so the truth lies within the last drop: the usual
    reading is half a drop high on average.

    Parameters
    ----------
    drops : (n,) counted drops [-]; 0 = the colour was that of the end point at once.
    degree : (n,) concentration of one drop at the nominal volume [mg/L as CaCO3].
    nominal_ml, used_ml : (n,) sample volume the kit is made for, and the one used [mL].

    Returns
    -------
    (n, 6) frame [mg/L as CaCO3]: `value` = n·d·Vn/Vu, missing for a count of 0; `limit` = one drop for
    a count of 0; `value_low`, `value_high` = the interval (n−1, n]; `midpoint` = (n − 0.5)·d·Vn/Vu, the
    unbiased estimate; `uncertainty` expanded, k = 2.

    Notes
    -----
    Halving the sample doubles the value of a drop. u² = (d/√12)² + (5 % n·d)² + (3 % n·d)²: resolution
    rectangular over one drop, drop size and sample volume [JCGM100, CP].

    Example
    -------
    >>> one = np.array([1.0])
    >>> value_of_drops(6 * one, 17.848 * one, 10 * one, 5 * one).round(1)["value"].item()
    214.2
    """
    drop = degree * nominal_ml / used_ml
    value = drops * drop
    spread = np.sqrt((drop / np.sqrt(12.0)) ** 2 + (DROP_SIZE * value) ** 2 + (SAMPLE_VOLUME * value) ** 2)
    none = drops == 0
    return pd.DataFrame(
        {
            "value": np.where(none, np.nan, value),
            "limit": np.where(none, drop, np.nan),
            "value_low": np.where(none, 0.0, value - drop),
            "value_high": np.where(none, drop, value),
            "midpoint": np.where(none, np.nan, value - drop / 2),
            "uncertainty": np.where(none, drop, 2.0 * spread),
        }
    )


def value_of_burette(
    titrant_ml: Array, blank_ml: Array, normality: Array, factor: Array, sample_ml: Array, per_meq: float | Array
) -> pd.DataFrame:
    """Turn a burette reading into a concentration.

    Parameters
    ----------
    titrant_ml, blank_ml : (n,) titrant used for sample and blank [mL].
    normality, factor : (n,) concentration of the titrant [eq/L] and its titre [-].
    sample_ml : (n,) sample volume [mL].
    per_meq : milligrams per milliequivalent, of CaCO3 50.043 (50.000 as the standard rounds it).

    Returns
    -------
    (n, 3) frame [mg/L]: `value` and `uncertainty` (k = 2) of the two readings of a burette
    divided to 0.1 mL: u = √2·0.05/√6 mL [JCGM100]; `limit` where the result lies within that scatter of the
    blank, and then no value.

    Notes
    -----
    c = (V − V_blank)·N·f·1000·per_meq / V_sample [APHA2320B].
    """
    per_ml = normality * factor * 1000.0 * per_meq / sample_ml
    reading = np.sqrt(2.0) * 0.05 / np.sqrt(6.0)
    value, uncertainty = (titrant_ml - blank_ml) * per_ml, 2.0 * reading * np.abs(per_ml)
    lost = np.abs(value) < uncertainty
    return pd.DataFrame(
        {
            "value": np.where(lost, np.nan, value),
            "limit": np.where(lost, uncertainty, np.nan),
            "uncertainty": uncertainty,
        }
    )
