"""Blends of waters: what is conserved is mixed, the pH is solved again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry.activity import LN10
from pipeline.chemistry.carbonate import fault
from pipeline.chemistry.composition import NOT_CONVERGED, OK, REASONS, Composition, prepare
from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ, alkalinity_meq_l, column
from pipeline.chemistry.results import BLOCK
from pipeline.chemistry.solving import at_sampling, with_total_carbonate

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats

_NOT_CONSERVED: Final = ("bicarbonate_mg_l", "carbonate_mg_l", "phenolphthalein_alkalinity_mg_l_caco3")
_SUM_TOLERANCE: Final = 1e-6
_NO_SINGLE_ANSWER: Final = "pH not solved: a blended water has no pH, no calcium share or no result of its own"
"""Said of a blend one of whose waters has no single solution."""


def _recipes(waters: pd.DataFrame, shares: pd.Series[float] | pd.DataFrame) -> pd.DataFrame:
    table = shares.to_frame().T if isinstance(shares, pd.Series) else shares
    if isinstance(shares, pd.Series):
        table.index = pd.Index(["blend" if shares.name is None else shares.name])
    if not waters.index.is_unique or set(table.columns) != set(waters.index):
        raise ValueError("shares: name every water once, with the labels of the waters' index")
    table = table[list(waters.index)].astype("float64")
    values = table.to_numpy()
    if not (np.all(values >= 0.0) and np.all(np.abs(values.sum(axis=1) - 1.0) <= _SUM_TOLERANCE)):
        raise ValueError("shares: each must be 0 or more and those of a blend must add up to 1")
    return table


def _linear(recipe: Floats, values: Floats) -> Floats:
    """Share-weighted mean (recipes, columns); missing where a water that takes part lacks the value."""
    lacks = (recipe > 0.0).astype(float) @ np.isnan(values).astype(float)
    mixed: Floats = np.where(lacks > 0.0, np.nan, recipe @ np.nan_to_num(values))
    return mixed


def blend(waters: pd.DataFrame, shares: pd.Series[float] | pd.DataFrame) -> pd.DataFrame:
    """Mix waters, as a bypass or a tank does.

    Salts, alkalinity and total carbonate add up; pH and saturation do not, and averaging them is the
    classic mistake: two waters that each rest with calcite can dissolve it together.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns, one row per water, unique index.
    shares : volume shares [-]. A series over the waters' index makes one blend; a frame makes one blend
        per row, its columns being the waters' labels. Each blend adds up to 1.

    Returns
    -------
    (blends, ...) frame in canonical columns, ready for `saturate`, index of ``shares``: ``temperature_c``,
    ``ph``, ``alkalinity_mg_l_caco3`` and every other ``_mg_l`` column of ``waters``; ``converged`` and
    ``reason`` of the pH. Alkalinity stands for bicarbonate and carbonate; conductivity is left out: it is not
    additive.

    Raises
    ------
    ValueError : the shares do not name the waters, are negative or do not add up to 1.

    Notes
    -----
    Conserved: mol/kg of each ion, alkalinity, total carbonate, silica, and heat (equal heat capacities).
    Valid where the waters and their blend are for `speciate`: 0–150 °C, pH 0–14, to 1 mol/kg; nothing precipitates.

    Example
    -------
    >>> soft = {"temperature_c": 25.0, "ph": 7.0, "calcium_mg_l": 10.0, "bicarbonate_mg_l": 30.0}
    >>> hard = {"temperature_c": 15.0, "ph": 7.5, "calcium_mg_l": 90.0, "bicarbonate_mg_l": 270.0}
    >>> waters = pd.DataFrame([soft, hard], index=["soft", "hard"])
    >>> mixed = blend(waters, pd.Series({"soft": 0.5, "hard": 0.5}))
    >>> mixed[["temperature_c", "calcium_mg_l"]].to_numpy().tolist()
    [[20.0, 50.0]]
    """
    recipes = _recipes(waters, shares)
    recipe = recipes.to_numpy()
    masses = [name for name in waters.columns if "_mg_l" in str(name) and name not in _NOT_CONSERVED]
    names = ["temperature_c", *(name for name in masses if name != "alkalinity_mg_l_caco3")]
    values = floats(np.column_stack([column(waters, name) for name in names]))
    alkalinity = floats(alkalinity_meq_l(waters))[:, None] * MG_CACO3_PER_MEQ
    mixed = pd.DataFrame(_linear(recipe, values), columns=names, index=recipes.index)
    mixed.insert(1, "ph", np.nan)
    mixed.insert(2, "alkalinity_mg_l_caco3", _linear(recipe, alkalinity)[:, 0])
    mixed["ph"], mixed["converged"], mixed["reason"] = _ph(waters, recipe)
    return mixed


def _ph(waters: pd.DataFrame, recipe: Floats) -> tuple[Floats, Flags, list[str]]:
    prepared = prepare(waters)
    rows, first, count = np.unique(prepared.cases.row, return_index=True, return_counts=True)
    solved = at_sampling(prepared.cases.take(first))
    single = (count == 1) & solved.state.converged
    known = np.full((len(waters), len(prepared.cases.ions) + 4), np.nan)
    parts = [prepared.cases.ions[:, first], solved.cases.alkalinity, solved.total_carbonate]
    state = np.vstack([*parts, solved.cases.temperature_c, solved.state.ln_activity[0]])
    known[rows[single]] = state.T[single]
    mixed = _linear(recipe, known).T
    ready = np.isfinite(mixed).all(axis=0)
    ph, fine = np.full(len(recipe), np.nan), np.zeros(len(recipe), bool)
    chosen = np.flatnonzero(ready)
    for begin in range(0, chosen.size, BLOCK):
        block = chosen[begin : begin + BLOCK]
        *ions, alkalinity, total, temperature, guess = mixed[:, block]
        nothing = np.full(block.size, np.nan)
        cases = Composition(block, temperature, nothing, nothing, np.vstack(ions), alkalinity)
        solution = with_total_carbonate(cases, temperature, total, guess)
        fine[block] = fault(solution) == OK
        ph[block] = np.where(fine[block], -solution.state.ln_activity[0] / LN10, np.nan)
    reason = np.where(ready, np.where(fine, "", REASONS[NOT_CONVERGED]), _NO_SINGLE_ANSWER)
    return ph, fine, reason.tolist()
