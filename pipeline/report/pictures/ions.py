"""Complete analyses as milliequivalents and shares: the figures of the trilinear, pattern and semi-log pictures."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import equivalents, zero_if_missing

# Of either side the three that are drawn; potassium goes with sodium, nitrate and fluoride with chloride [PIPER1944].
CATION_NAMES: Final = ("Ca", "Mg", "Na+K")
ANION_NAMES: Final = ("HCO3+CO3", "SO4", "Cl+NO3")
ION_NAMES: Final = (*CATION_NAMES, *ANION_NAMES)


def ion_groups(waters: pd.DataFrame) -> pd.DataFrame:
    """Give the six groups of ions of complete analyses.

    Parameters
    ----------
    waters : (n, …) canonical columns [mg/L, alkalinity mg/L as CaCO3].

    Returns
    -------
    (m, 6) frame of ION_NAMES [meq/L], of the waters with calcium, magnesium, sodium, alkalinity, sulfate and chloride;
    potassium, nitrate and fluoride count where they were measured.

    Example
    -------
    >>> water = {"calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "bicarbonate_mg_l": 250.0}
    >>> ion_groups(pd.DataFrame([water | {"sulfate_mg_l": 40.0, "chloride_mg_l": 36.0}])).round(3).loc[0].tolist()
    [3.992, 0.987, 0.87, 4.097, 0.833, 1.015]
    """
    meq = equivalents(waters)
    groups = pd.DataFrame(
        {
            "Ca": meq["calcium"],
            "Mg": meq["magnesium"],
            "Na+K": meq["sodium"] + zero_if_missing(meq["potassium"]),
            "HCO3+CO3": meq["alkalinity"],
            "SO4": meq["sulfate"],
            "Cl+NO3": meq["chloride"] + zero_if_missing(meq["nitrate"]) + zero_if_missing(meq["fluoride"]),
        },
        index=waters.index,
    )
    whole = groups.notna().all(axis=1) & (groups[list(CATION_NAMES)].sum(axis=1) > 0)
    return groups[whole & (groups[list(ANION_NAMES)].sum(axis=1) > 0) & (groups >= 0).all(axis=1)]


def ion_shares(groups: pd.DataFrame) -> pd.DataFrame:
    """Give the share of each group among its cations or anions [%]."""
    sides = [groups[list(names)].to_numpy(dtype=np.float64) for names in (CATION_NAMES, ANION_NAMES)]
    shares = np.hstack([100 * side / side.sum(axis=1, keepdims=True) for side in sides])
    return pd.DataFrame(shares, index=groups.index, columns=list(ION_NAMES))
