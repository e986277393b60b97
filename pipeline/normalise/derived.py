"""Stand-ins: what one reading says of a quantity that was not read itself."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_MAGNESIUM,
    HCO3_PER_CACO3,
    MOLAR_MASS,
    NITRATE_PER_NITROGEN,
)
from pipeline.normalise.sample_table import places
from schemas.methods import METHODS, from_codes

if TYPE_CHECKING:
    import numpy.typing as npt

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


# mg of nitrate per mg of what nitrate and nitrite together are counted as: each nitrogen carries one charge, so as
# nitrate their sum has its share in the balance, in the conductivity and in the anions.
_NITRATE_PER: Final = {"as N": NITRATE_PER_NITROGEN, "as NO3": 1.0}


def with_derived(samples: SampleTable) -> SampleTable:
    """Compute hardness, its two parts and alkalinity where only their components were read.

    Nitrate and nitrite read together stand for nitrate where it was not read alone.

    A reading is never replaced. The stand-in's method is `derived`, its uncertainty follows from
    its sources (JCGM 100:2008, 5.1.2, uncorrelated), its bounds from their bounds. Where those of a
    source are not known, those of the stand-in are not known either; they are never taken for 0.

    Parameters
    ----------
    samples : table whose ``filled`` equals ``measured``.

    Returns
    -------
    A new table; ``readings`` are the same, and so is ``measured`` but for nitrate read together with nitrite.
    """
    samples = _with_oxidised_nitrogen(samples)
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


def _with_oxidised_nitrogen(samples: SampleTable) -> SampleTable:
    """Let nitrate and nitrite read together stand for nitrate, obtained as they were."""
    readings = samples.readings
    if "basis" not in readings or not (readings["analyte"] == "nitrate_nitrite").any():
        return samples
    both = readings[(readings["analyte"] == "nitrate_nitrite").to_numpy()]
    factor = both["basis"].astype("str").map(_NITRATE_PER).to_numpy(dtype="float64", na_value=np.nan)
    at = places(samples.about.index, both["sample_id"])
    usable = (at >= 0) & ~np.isnan(factor) & (both["value"].notna() | both["value_high"].notna()).to_numpy()
    both, factor, at = both[usable], factor[usable], at[usable]
    first = np.unique(at, return_index=True)[1]
    both, factor, at = both.iloc[first], factor[first], at[first]
    name = "nitrate_mg_l"
    free = np.isnan(samples.filled[name].to_numpy()[at]) & np.isnan(samples.high[name].to_numpy()[at])
    both, factor, at = both[free], factor[free], at[free]
    parts = {"measured": "value", "filled": "value", "uncertainty": "uncertainty"}
    parts |= {"low": "value_low", "high": "value_high"}
    frames = {}
    for part, source in parts.items():
        column = getattr(samples, part)[name].to_numpy(dtype="float64").copy()
        column[at] = both[source].to_numpy(dtype="float64") * factor
        frames[part] = getattr(samples, part).assign(**{name: column})
    codes = samples.method[name].cat.codes.to_numpy().copy()
    codes[at] = pd.Categorical(both["method"], categories=list(METHODS)).codes
    return replace(samples, method=samples.method.assign(**{name: from_codes(codes)}), **frames)
