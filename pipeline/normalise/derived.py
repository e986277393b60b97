"""Stand-ins: what one reading says of a quantity that was not read itself."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM, HCO3_PER_CACO3, MOLAR_MASS
from schemas.methods import METHODS, from_codes

if TYPE_CHECKING:
    from pipeline.normalise.sample_table import SampleTable

# Alkalinity as CaCO3 per mg of each form; carbonate carries two charges.
CACO3_PER_BICARBONATE: Final = 1.0 / HCO3_PER_CACO3
CACO3_PER_CARBONATE: Final = MOLAR_MASS["calcium_carbonate"] / MOLAR_MASS["carbonate"]

# target = sum of factor × source; every source named without "?" must be present.
_RULES: Final[tuple[tuple[str, dict[str, float]], ...]] = (
    (
        "total_hardness_mg_l_caco3",
        {"calcium_mg_l": CACO3_PER_CALCIUM, "magnesium_mg_l": CACO3_PER_MAGNESIUM},
    ),
    ("total_hardness_mg_l_caco3", {"calcium_hardness_mg_l_caco3": 1.0, "magnesium_hardness_mg_l_caco3": 1.0}),
    ("calcium_hardness_mg_l_caco3", {"calcium_mg_l": CACO3_PER_CALCIUM}),
    ("magnesium_hardness_mg_l_caco3", {"magnesium_mg_l": CACO3_PER_MAGNESIUM}),
    (
        "magnesium_hardness_mg_l_caco3",
        {"total_hardness_mg_l_caco3": 1.0, "calcium_hardness_mg_l_caco3": -1.0},
    ),
    ("calcium_mg_l", {"calcium_hardness_mg_l_caco3": 1.0 / CACO3_PER_CALCIUM}),
    ("magnesium_mg_l", {"magnesium_hardness_mg_l_caco3": 1.0 / CACO3_PER_MAGNESIUM}),
    (
        "alkalinity_mg_l_caco3",
        {"bicarbonate_mg_l": CACO3_PER_BICARBONATE, "carbonate_mg_l?": CACO3_PER_CARBONATE},
    ),
)


def fill(samples: SampleTable) -> SampleTable:
    """Compute hardness, its two parts and alkalinity where only their components were read.

    A reading is never replaced. The stand-in's method is `derived`, its uncertainty follows from
    its sources (JCGM 100:2008, 5.1.2, uncorrelated), its bounds from their bounds. Where those of a
    source are not known, those of the stand-in are not known either; they are never taken for 0.

    Parameters
    ----------
    samples : table whose ``filled`` equals ``measured``.

    Returns
    -------
    A new table; ``measured`` and ``readings`` are the same.
    """
    filled, uncertainty = samples.filled.copy(), samples.uncertainty.copy()
    low, high, method = samples.low.copy(), samples.high.copy(), samples.method.copy()
    for target, factors in _RULES:
        names = [name.rstrip("?") for name in factors]
        optional = [name.endswith("?") for name in factors]
        factor = np.array(list(factors.values()))
        values = np.array(filled[names])
        absent = np.isnan(values)
        spread = np.where(absent, 0.0, uncertainty[names].to_numpy())
        for position, may_miss in enumerate(optional):
            if may_miss:
                values[:, position] = np.nan_to_num(values[:, position])
        value = values @ factor
        open_cells = (filled[target].isna() & low[target].isna()).to_numpy() & ~np.isnan(value) & (value >= 0)
        if not open_cells.any():
            continue
        bounds = np.stack([low[names].to_numpy() * factor, high[names].to_numpy() * factor])
        bounds = np.where(np.isnan(bounds) & absent, 0.0, bounds)
        method_codes = method[target].cat.codes.to_numpy().copy()
        method_codes[open_cells] = METHODS.index("derived")
        method[target] = from_codes(method_codes)
        filled.loc[open_cells, target] = value[open_cells]
        combined = np.sqrt(((spread * factor) ** 2).sum(axis=1))
        uncertainty.loc[open_cells, target] = combined[open_cells]
        low.loc[open_cells, target] = np.maximum(bounds.min(axis=0).sum(axis=1), 0.0)[open_cells]
        high.loc[open_cells, target] = bounds.max(axis=0).sum(axis=1)[open_cells]
    return replace(samples, filled=filled, uncertainty=uncertainty, low=low, high=high, method=method)
