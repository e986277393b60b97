"""Every water three times: at its low, its middle and its high readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, calcium_and_magnesium, column

if TYPE_CHECKING:
    from pipeline.chemistry.arrays import Places
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
_TRACE_MG_L: Final = 0.1  # a reading "below" may be nothing; the solver needs something


@dataclass(frozen=True)
class Range:
    """Three frames of one index with the canonical columns."""

    low: pd.DataFrame
    middle: pd.DataFrame
    high: pd.DataFrame

    def take(self, rows: Places) -> Range:
        """Repeat or pick waters by position; the result has a plain index."""
        parts = (part.take(rows).reset_index(drop=True) for part in (self.low, self.middle, self.high))
        return Range(*parts)


def readings_range(samples: SampleTable) -> Range:
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
    ions = calcium_and_magnesium(filled).clip(lower=0.0)
    split = ions["calcium_mg_l"].notna()
    calcium_factor = _bounds(samples, "calcium_mg_l", filled["calcium_mg_l"])
    hardness = column(filled, "total_hardness_mg_l_caco3")
    total = _bounds(samples, "total_hardness_mg_l_caco3", hardness)
    alkalinity = _bounds(samples, "alkalinity_mg_l_caco3", column(filled, "alkalinity_mg_l_caco3"))
    ph = _bounds(samples, "ph", column(filled, "ph"))
    frames = []
    for end in range(3):
        calcium = calcium_factor[end].fillna(ions["calcium_mg_l"])
        frames.append(
            pd.DataFrame(
                {
                    **{name: column(filled, name) for name in _KEPT},
                    "ph": ph[end],
                    "alkalinity_mg_l_caco3": alkalinity[end],
                    "calcium_mg_l": calcium,
                    "magnesium_mg_l": ions["magnesium_mg_l"],
                    "total_hardness_mg_l_caco3": total[end].where(~split),
                    "calcium_hardness_mg_l_caco3": CACO3_PER_CALCIUM * calcium,
                },
                index=filled.index,
            )
        )
    return Range(*frames)


def _bounds(
    samples: SampleTable, name: str, value: pd.Series[float]
) -> tuple[pd.Series[float], pd.Series[float], pd.Series[float]]:
    """Low, middle and high of one column; a bound that is not known is the value."""
    low = column(samples.low, name).fillna(value)
    high = column(samples.high, name).fillna(value)
    floor = low.where(low.isna() | (low > _TRACE_MG_L), np.minimum(_TRACE_MG_L, high))
    return floor, value, high
