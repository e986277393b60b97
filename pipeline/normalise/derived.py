"""Stand-ins: what one reading says of a quantity that was not read itself."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM, HCO3_PER_CACO3, MOLAR_MASS
from schemas.methods import METHODS, from_codes

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

    from pipeline.arrays import Floats
    from pipeline.normalise.sample_table import SampleTable


_PARTS: Final = ("filled", "uncertainty", "low", "high")
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


def with_derived(samples: SampleTable) -> SampleTable:
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
    changed: dict[str, dict[str, Floats]] = {part: {} for part in _PARTS}
    methods: dict[str, npt.NDArray[np.integer[Any]]] = {}

    def taken(part: str, *names: str) -> Floats:
        frame: pd.DataFrame = getattr(samples, part)
        return np.array([changed[part].get(name, frame[name].to_numpy()) for name in names])

    for target, factors in _RULES:
        names = [name.rstrip("?") for name in factors]
        factor = np.array(list(factors.values()))[:, None]
        values = taken("filled", *names)
        absent = np.isnan(values)
        optional = np.array([name.endswith("?") for name in factors])
        values[optional] = np.nan_to_num(values[optional])
        value = (values * factor).sum(axis=0)
        unread = np.isnan(taken("filled", target)[0]) & np.isnan(taken("low", target)[0])
        open_cells = unread & (value >= 0)
        if not open_cells.any():
            continue
        spread = np.where(absent, 0.0, taken("uncertainty", *names))
        bounds = np.stack([taken("low", *names) * factor, taken("high", *names) * factor])
        bounds = np.where(np.isnan(bounds) & absent, 0.0, bounds)
        found = {
            "filled": value,
            "uncertainty": np.sqrt(((spread * factor) ** 2).sum(axis=0)),
            "low": np.maximum(bounds.min(axis=0).sum(axis=0), 0.0),
            "high": bounds.max(axis=0).sum(axis=0),
        }
        for part, numbers in found.items():
            changed[part][target] = np.where(open_cells, numbers, taken(part, target)[0])
        method = methods.get(target, samples.method[target].cat.codes.to_numpy())
        methods[target] = np.where(open_cells, METHODS.index("derived"), method)
    frames = {part: getattr(samples, part).assign(**columns) for part, columns in changed.items()}
    method_words = {name: from_codes(codes) for name, codes in methods.items()}
    return replace(samples, method=samples.method.assign(**method_words), **frames)
