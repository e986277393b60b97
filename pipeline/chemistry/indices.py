"""Indices the trade quotes of corrosion: Larson–Skold, chloride to sulfate. Notes, not verdicts."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ, column, meq_per_l
from pipeline.chemistry.index_classes import classes, highest_bound
from pipeline.chemistry.remarks import remarks

LOW_ALKALINITY: Final = 50.0  # mg/L as CaCO3; below it Larson and Skold's waters do not reach [CP]
NOTE: Final = "planning note, not a verdict; derived on mild steel in Great Lakes water"
NOTE_LOW_ALKALINITY: Final = f"{NOTE}; this alkalinity is below that of the waters it was derived on"


def corrosion_ratios(waters: pd.DataFrame, highest: pd.DataFrame | None = None) -> pd.DataFrame:
    """Larson–Skold ratio, chloride to sulfate mass ratio and the buffer, with their published words.

    Treatment moves them: a decarboniser takes alkalinity and leaves chloride, so a water that was
    kind to steel may stop being so. They start a conversation, they do not end one.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns.
    highest : (n, ...) frame of upper bounds with the same index and columns; where sulfate is
        missing ("<") its upper bound gives a lower bound of the mass ratio.

    Returns
    -------
    (n, 8) frame, index of ``waters``: ``larson_skold`` [-], ``larson_skold_class``,
    ``chloride_sulfate_mass_ratio`` [-], ``chloride_sulfate_mass_ratio_low`` [-] (equal to the ratio
    where sulfate is known), ``chloride_sulfate_class``, ``buffer_class``, ``note``, ``reason``.

    Notes
    -----
    Larson–Skold = (Cl + SO4)/(HCO3 + CO3) in meq/L: below 0.8, 0.8–1.2, above 1.2; not valid at low
    alkalinity, nor for copper, brass or stainless steel [LS1958]. Mass ratio Cl/SO4: below 0.2 low,
    0.2–0.5 moderate, above 0.5 moderate with an alkalinity of 50 mg/L as CaCO3 and high below it;
    for joints with lead [BELITZ2016]. Buffer: below 40 and 25 mg/L as CaCO3 [CP].

    Example
    -------
    >>> water = pd.DataFrame([{"chloride_mg_l": 36.0, "sulfate_mg_l": 40.0, "bicarbonate_mg_l": 250.0}])
    >>> corrosion_ratios(water)[["larson_skold", "chloride_sulfate_mass_ratio"]].round(4).to_numpy().tolist()
    [[0.4511, 0.9]]
    """
    meq = meq_per_l(waters)
    alkalinity = meq["alkalinity_meq_l"]
    larson = (meq["chloride_meq_l"] + meq["sulfate_meq_l"]) / alkalinity.where(alkalinity > 0.0)
    chloride, sulfate = column(waters, "chloride_mg_l"), column(waters, "sulfate_mg_l")
    bound = sulfate if highest is None else sulfate.fillna(column(highest, "sulfate_mg_l"))
    ratio = chloride / sulfate.where(sulfate > 0.0)
    at_least = chloride / bound.where(bound > 0.0)
    buffer = np.asarray(alkalinity * MG_CACO3_PER_MEQ, dtype=np.float64)
    negative = (chloride < 0.0) | (sulfate < 0.0) | (alkalinity < 0.0)
    faults = {
        "chloride missing": chloride.isna(),
        "sulfate missing: no Larson–Skold": sulfate.isna(),
        "sulfate missing: mass ratio has no value": ratio.isna() & sulfate.isna() & at_least.isna(),
        "sulfate below its limit: mass ratio is a lower bound": sulfate.isna() & at_least.notna(),
        "sulfate is 0: mass ratio has no bound": sulfate == 0.0,
        "alkalinity missing": alkalinity.isna(),
        "alkalinity is 0: no Larson–Skold": alkalinity == 0.0,
        "a concentration below 0": negative,
    }
    usable = ~negative
    ratio, at_least, larson = ratio.where(usable), at_least.where(usable), larson.where(usable)
    decided = at_least.where(ratio.notna() | (at_least > highest_bound("chloride_sulfate_mass_ratio")))
    return pd.DataFrame(
        {
            "larson_skold": larson,
            "larson_skold_class": classes("larson_skold", np.asarray(larson, dtype=np.float64), buffer),
            "chloride_sulfate_mass_ratio": ratio,
            "chloride_sulfate_mass_ratio_low": at_least,
            "chloride_sulfate_class": classes(
                "chloride_sulfate_mass_ratio",
                np.asarray(decided, dtype=np.float64),
                buffer,
            ),
            "buffer_class": classes("buffer", buffer, buffer),
            "note": np.where(buffer < LOW_ALKALINITY, NOTE_LOW_ALKALINITY, NOTE),
            "reason": remarks({phrase: flag.to_numpy() for phrase, flag in faults.items()}, waters.index),
        },
        index=waters.index,
    )
