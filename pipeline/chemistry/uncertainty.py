"""How the uncertainty of the readings becomes the uncertainty of index and scale potential."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry.equivalents import column
from pipeline.chemistry.saturation import saturate

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.arrays import Floats

    Evaluate = Callable[[pd.DataFrame], pd.DataFrame]

RESULTS: Final = ("calcite_si", "ccpp_mg_l_caco3")
COVERAGE: Final = 2.0  # k, of the uncertainties taken and given
DRAWS: Final = 400


def propagate(
    waters: pd.DataFrame,
    expanded: pd.DataFrame,
    *,
    evaluate: Evaluate = saturate,
    method: Literal["gum", "monte-carlo"] = "gum",
    seed: int = 0,
) -> pd.DataFrame:
    """Carry the uncertainty of every reading into the calcite index and the scale potential.

    A drop kit's half drop can turn "scales" into "dissolves"; the report must say when it does.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns.
    expanded : (n, c) frame, same index: expanded uncertainty, k = 2, of the columns it names, in their
        units; a missing value counts as 0.
    evaluate : what to work out; by default `saturate`, or a function that heats.
    method : ``"gum"``: first order, from two evaluations per column; ``"monte-carlo"``: 400 draws.
    seed : of the draws.

    Returns
    -------
    (n, 2) frame, same index: ``calcite_si_uncertainty`` and ``ccpp_mg_l_caco3_uncertainty``, expanded, k = 2,
    readings independent; missing where ``evaluate`` has no central value.

    Raises
    ------
    ValueError : an unknown method.

    Notes
    -----
    GUM 5.1.2 and 5.1.3 note 2: u² = Σ (½ [f(x + u) - f(x - u)])²; Monte Carlo as in its supplement 1, normal
    readings, none below 0 [GUM2008]. The constants' own uncertainty is not in it:
    `pipeline.chemistry.saturation.model_uncertainty`.
    """
    if method not in ("gum", "monte-carlo"):
        raise ValueError(f'method {method!r}: use "gum" or "monte-carlo"')
    standard = {name: floats(column(expanded, name).fillna(0.0)) / COVERAGE for name in expanded.columns}
    spread = _first_order(waters, standard, evaluate) if method == "gum" else _drawn(waters, standard, evaluate, seed)
    names = [f"{name}_uncertainty" for name in RESULTS]
    return pd.DataFrame(COVERAGE * spread, columns=names, index=waters.index)


def _results(waters: pd.DataFrame, evaluate: Evaluate) -> Floats:
    return evaluate(waters)[list(RESULTS)].to_numpy(dtype="float64")


def _first_order(waters: pd.DataFrame, standard: dict[str, Floats], evaluate: Evaluate) -> Floats:
    variance = np.zeros((len(waters), len(RESULTS)))
    for name, u in standard.items():
        reading = floats(column(waters, name))
        low, high = np.maximum(reading - u, 0.0), reading + u
        change = _results(waters.assign(**{name: high}), evaluate) - _results(waters.assign(**{name: low}), evaluate)
        share = np.divide(u, high - low, out=np.zeros_like(u), where=high > low)
        variance += np.square(change * share[:, None])
    return np.sqrt(variance)


def _drawn(waters: pd.DataFrame, standard: dict[str, Floats], evaluate: Evaluate, seed: int) -> Floats:
    random = np.random.default_rng(seed)
    repeated = waters.loc[waters.index.repeat(DRAWS)].reset_index(drop=True)
    for name, u in standard.items():
        reading = column(repeated, name).to_numpy()
        noise = random.standard_normal(len(repeated)) * np.repeat(u, DRAWS)
        repeated = repeated.assign(**{name: np.maximum(reading + noise, 0.0)})
    results = _results(repeated, evaluate).reshape(len(waters), DRAWS, len(RESULTS))
    spread: Floats = np.std(results, axis=1, ddof=1)
    return spread
