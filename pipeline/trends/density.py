"""How the raw waters lie in hardness and alkalinity."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.trends.panel import Panel, SamplingPoints

DENSITY_COLUMNS: Final = ["hardness", "alkalinity", "samples"]
DENSITY_STEP: Final = 25.0  # [mg/L as CaCO3], as in the question hardness-alkalinity-density


def raw_density(panels: Mapping[str, Panel], points: SamplingPoints) -> pd.DataFrame:
    """Count the raw samples in squares of 25 mg/L as CaCO3.

    Returns
    -------
    ``DENSITY_COLUMNS``: lower corner of each square that holds a sample, and how many.
    """
    if not {"total_hardness", "alkalinity"} <= panels.keys():
        return pd.DataFrame(columns=DENSITY_COLUMNS)
    raw = (points.table["stage"] == "raw").to_numpy()
    both = []
    for name in ("total_hardness", "alkalinity"):
        panel = panels[name]
        known = panel.first & np.isfinite(panel.value) & raw[panel.place]
        both.append(pd.Series(panel.value[known], index=panel.sample[known], name=name))
    return water_density(pd.concat(both, axis=1, join="inner"))


def water_density(waters: pd.DataFrame) -> pd.DataFrame:
    """Count waters, hardness and alkalinity in two columns, in those squares: ``DENSITY_COLUMNS``."""
    squares = (waters // DENSITY_STEP * DENSITY_STEP).set_axis(["hardness", "alkalinity"], axis=1)
    return squares.groupby(["hardness", "alkalinity"]).size().rename("samples").reset_index()
