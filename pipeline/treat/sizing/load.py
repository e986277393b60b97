"""The load: what a litre of product takes from a medium, and so uses it up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.equivalents import (
    MG_CACO3_PER_MEQ,
    alkalinity_meq_l,
    calcium_and_magnesium,
    column,
    milliequivalents,
)
from pipeline.errors import KettlestoneError
from pipeline.treat.processes.media import MG_CHLORINE_PER_MMOL
from pipeline.treat.processes.treatments import named

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Floats


def medium_load(raw: pd.DataFrame, treated: pd.DataFrame, treatment: str) -> Floats:
    """Amount taken from each litre of product: what uses a medium up.

    Parameters
    ----------
    raw, treated : (n, ...) frames with the canonical columns, row by row.
    treatment : a key of `TREATMENTS`.

    Returns
    -------
    (n,) load [mg/L as CaCO3]: hardness of a softener, alkalinity of a decarboniser, calcium of a magnesium
    exchanger, all cations of a demineraliser; NaN where the readings it needs are missing.

    Raises
    ------
    KettlestoneError : the treatment has no medium that is used up this way.
    """
    kind = named(treatment).removes
    if kind not in ("hardness", "alkalinity", "calcium", "salts"):
        raise KettlestoneError(f"{treatment}: nothing is used up by hardness or alkalinity, so it has no such capacity")
    before, after = (_content(side, kind) for side in (raw, treated))
    if kind == "alkalinity":
        before = before - _acid_of_chlorine(raw, treated)
    return floats(MG_CACO3_PER_MEQ * (before - after))


def _acid_of_chlorine(raw: pd.DataFrame, treated: pd.DataFrame) -> Floats:
    """Alkalinity [meq/L] that chlorine took as it turned to chloride on the carbon: no resin was used up by it."""
    # Row by row: raw and treated water are two samples, each with a label of its own.
    before, after = (
        floats(column(side, "total_chlorine_mg_l").fillna(column(side, "free_chlorine_mg_l")).fillna(0.0))
        for side in (raw, treated)
    )
    return floats(np.maximum(before - after, 0.0) / MG_CHLORINE_PER_MMOL)


def _content(waters: pd.DataFrame, kind: str) -> Floats:
    """Hardness, alkalinity, calcium or all cations [meq/L]."""
    if kind == "alkalinity":
        return floats(alkalinity_meq_l(waters))
    pair = calcium_and_magnesium(waters)
    calcium, magnesium = (milliequivalents(pair, ion) for ion in ("calcium", "magnesium"))
    if kind == "calcium":
        return floats(calcium)
    titrated = column(waters, "total_hardness_mg_l_caco3") / MG_CACO3_PER_MEQ
    hardness = titrated.fillna(calcium + magnesium)
    if kind == "hardness":
        return floats(hardness)
    sodium, potassium = (milliequivalents(waters, ion).fillna(0.0) for ion in ("sodium", "potassium"))
    return floats(hardness + sodium + potassium)
