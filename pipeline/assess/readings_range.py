"""Every water three times: at its low, its middle and its high readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, calcium_and_magnesium, numbers

if TYPE_CHECKING:
    from pipeline.arrays import Floats, Places
    from pipeline.normalise.sample_table import SampleTable

# What the solver reads and the readings that move scale; other ions stay at their value.
_KEPT: Final = (
    "temperature_c",
    "conductivity_us_cm_25c",
    "sodium_mg_l",
    "potassium_mg_l",
    "ammonium_mg_l",
    "chloride_mg_l",
    "sulfate_mg_l",
    "nitrate_mg_l",
    "fluoride_mg_l",
    "silica_mg_l",
)
_BOUNDED: Final = ("ph", "alkalinity_mg_l_caco3", "calcium_mg_l", "total_hardness_mg_l_caco3")
_TRACE_MG_L: Final = 0.1  # a reading "below" may be nothing; the solver needs something


@dataclass(frozen=True)
class ReadingRange:
    """Three frames of one index with the canonical columns."""

    low: pd.DataFrame
    middle: pd.DataFrame
    high: pd.DataFrame

    def take(self, rows: Places) -> ReadingRange:
        """Repeat or pick waters by position; the result has a plain index."""
        parts = (part.take(rows).reset_index(drop=True) for part in (self.low, self.middle, self.high))
        return ReadingRange(*parts)


def readings_range(samples: SampleTable) -> ReadingRange:
    """Lay the bounds of hardness, alkalinity and pH out as three waters per sample.

    Parameters
    ----------
    samples : the filled table; a reading "<" has no middle but a high.

    Returns
    -------
    Range of frames, index of the samples: alkalinity, calcium with magnesium or else total hardness, and
    pH at their bounds; sodium, chloride and the rest as read.
    """
    filled = samples.filled
    either, magnesium = (np.maximum(ion, 0.0) for ion in floats(calcium_and_magnesium(filled)).T)
    kept = {name: numbers(filled, name) for name in _KEPT}
    bounds = {name: _bounds(samples, name) for name in _BOUNDED}
    frames = []
    for end in range(3):
        own = {name: bound[end] for name, bound in bounds.items()}
        calcium = np.where(np.isnan(own["calcium_mg_l"]), either, own["calcium_mg_l"])
        ions = {
            "calcium_mg_l": calcium,
            "magnesium_mg_l": magnesium,
            "total_hardness_mg_l_caco3": np.where(np.isnan(either), own["total_hardness_mg_l_caco3"], np.nan),
            "calcium_hardness_mg_l_caco3": CACO3_PER_CALCIUM * calcium,
        }
        frames.append(pd.DataFrame({**kept, **own, **ions}, index=filled.index))
    return ReadingRange(*frames)


def _bounds(samples: SampleTable, name: str) -> tuple[Floats, Floats, Floats]:
    """Low, middle and high of one column; a bound that is not known is the value."""
    value, low, high = (numbers(frame, name) for frame in (samples.filled, samples.low, samples.high))
    low, high = np.where(np.isnan(low), value, low), np.where(np.isnan(high), value, high)
    floor = np.where(np.isnan(low) | (low > _TRACE_MG_L), low, np.minimum(_TRACE_MG_L, high))
    return floor, value, high
