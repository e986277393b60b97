"""What a water does to the cup, in words a client understands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.equivalents import numbers
from pipeline.chemistry.remarks import remarks

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags, Floats
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class CupLimits:
    """Where the taste of the cup changes; mg/L, hardness and alkalinity as CaCO3."""

    sour_below_alkalinity: float = 30.0  # [CP]
    balanced_alkalinity: tuple[float, float] = (40.0, 75.0)  # [EWC2016]
    flat_above_alkalinity: float = 100.0  # [FOND1995]
    empty_below_hardness: float = 35.0  # [CP]
    heavy_above_hardness: float = 175.0  # [CP], with an alkalinity above the balanced range
    soda_alkalinity: float = 120.0  # [NR2010], figure [CP]
    soda_sodium: float = 80.0  # [NR2010], figure [CP]
    soda_excess: float = 20.0  # alkalinity above hardness, where sodium was not measured [CP]
    chlorine: float = 0.1  # [CP]
    chloride: float = 100.0  # [CP]
    sulfate: float = 150.0  # [CP]
    iron: float = 0.1  # [CP]
    sodium_taste: float = 60.0  # [EPA822], upper end of 30 to 60


def cup_words(samples: SampleTable, limits: CupLimits = CupLimits()) -> pd.Series[str]:
    """Describe the coffee a water makes.

    Parameters
    ----------
    samples : the filled table.
    limits : where the words change.

    Returns
    -------
    (n,) sentence; empty where neither alkalinity nor hardness is known and nothing else speaks.

    Notes
    -----
    Alkalinity takes the acids out of the cup, hardness carries the extraction, sodium with bicarbonate
    slows the shot [FOND1995, NR2010]; the rest is practice of the trade [CP].
    """
    flags = cup_flags(samples, limits)
    text = remarks(flags, samples.about.index)
    first = text.str.slice(0, 1).str.upper() + text.str.slice(1) + "."
    return first.where(text != "", "")


def cup_flags(samples: SampleTable, limits: CupLimits = CupLimits()) -> dict[str, Flags]:
    """Say which of the words apply to each sample: words -> (n,) mask, in the order they are said."""
    alkalinity, hardness = (_at_most(samples, name) for name in ("alkalinity_mg_l_caco3", "total_hardness_mg_l_caco3"))
    sodium = _middle(samples, "sodium_mg_l")
    chlorine = np.fmax(_middle(samples, "free_chlorine_mg_l"), _middle(samples, "total_chlorine_mg_l"))
    soft = hardness < limits.empty_below_hardness
    buffered = alkalinity > limits.balanced_alkalinity[1]
    soda = (alkalinity > limits.soda_alkalinity) & (
        (sodium > limits.soda_sodium) | (np.isnan(sodium) & (alkalinity - hardness > limits.soda_excess))
    )
    least, most = limits.balanced_alkalinity
    return {
        "acids stand out: sharp, sour, thin": alkalinity < limits.sour_below_alkalinity,
        "acids a little forward": (alkalinity >= limits.sour_below_alkalinity) & (alkalinity < least),
        "acids in balance": (alkalinity >= least) & (alkalinity <= most),
        "acids muted": buffered & (alkalinity <= limits.flat_above_alkalinity),
        "flat and chalky, acids gone; espresso runs slower and unevenly": alkalinity > limits.flat_above_alkalinity,
        "too little hardness to carry the taste: empty, weak": soft,
        "heavy and muddy": (hardness > limits.heavy_above_hardness) & buffered,
        "sodium carries the alkalinity, as in softened or soda water: dull, soapy, shots may choke": soda,
        "sodium can be tasted": sodium > limits.sodium_taste,
        "chlorine: medicinal, bitter": chlorine > limits.chlorine,
        "chloride: a salty edge": _middle(samples, "chloride_mg_l") > limits.chloride,
        "sulfate: a dry, bitter edge": _middle(samples, "sulfate_mg_l") > limits.sulfate,
        "iron: metallic, dark like tea": _middle(samples, "iron_mg_l") > limits.iron,
    }


def _middle(samples: SampleTable, name: str) -> Floats:
    return numbers(samples.filled, name)


def _at_most(samples: SampleTable, name: str) -> Floats:
    """Take the reading, or the limit of a "<": what is below it is no more than it."""
    value, high = _middle(samples, name), numbers(samples.high, name)
    return floats(np.where(np.isnan(value), high, value))
