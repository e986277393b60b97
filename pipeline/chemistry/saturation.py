"""Saturation of the scale minerals, and how much calcite a water can drop or dissolve."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry.carbonate import fault
from pipeline.chemistry.composition import Composition, prepare
from pipeline.chemistry.constants import log_k
from pipeline.chemistry.equivalents import MOLAR_MASS
from pipeline.chemistry.results import POTENTIAL, assemble, in_blocks
from pipeline.chemistry.solving import at_sampling, with_calcite

if TYPE_CHECKING:
    from pipeline.chemistry.results import Answer
    from pipeline.chemistry.solution import Solution


MG_CACO3_PER_MOL: Final = 1e3 * MOLAR_MASS["calcium_carbonate"]
_COOL_C, _HOT_C = 95.0, 120.0
_COOL_SPREAD, _HOT_SPREAD = 0.06, 0.10  # disagreement of the compilations of log Ksp, see model_uncertainty


def minerals(solution: Solution, *, ccpp: bool = True, open_to_gas: bool = False) -> Answer:
    """Give pH, saturation indices and, if wanted, the calcite potential of solved waters."""
    indices = {f"{name}_si": index for name, index in solution.saturation_indices().items()}
    values = {
        "ph": solution.ph,
        "ionic_strength_mol_kg": solution.state.strength,
        "log_pco2_atm": solution.log_pco2,
        **indices,
    }
    if ccpp:
        saturated, precipitated = with_calcite(solution, open_to_gas=open_to_gas)
        values[POTENTIAL] = np.where(saturated.state.converged, MG_CACO3_PER_MOL * precipitated, np.nan)
    return values, fault(solution)


def saturate(waters: pd.DataFrame, *, ccpp: bool = True) -> pd.DataFrame:
    """Saturation indices of five scale minerals, and the calcium carbonate precipitation potential.

    An index says which way a water will go; the potential says how many milligrams of scale that
    is. Both are needed: a soft water can have a high index and next to nothing to drop.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns [°C, pH, mg/L]; missing values NaN.
    ccpp : whether to work out the potential, which takes about as long as all the rest.

    Returns
    -------
    (n, 30) frame, same index: ``ph ionic_strength_mol_kg log_pco2_atm calcite_si aragonite_si gypsum_si
    anhydrite_si amorphous_silica_si ccpp_mg_l_caco3`` each with ``_low`` and ``_high`` (equal to it where
    nothing is missing), ``converged reason assumption``. A row that can only be bounded has no central value.

    Notes
    -----
    SI = log10(IAP/Ksp) [PB1982, BD1973, RB1980]. The potential keeps the carbon dioxide in (closed) and
    is the calcite, mg/L as CaCO3, that brings SI to 0: positive precipitates, negative dissolves.
    It is a balance, not a rate.

    0–150 °C (PHREEQC within 0.001 of an index to 95 °C and 0.03 to 150 °C; calcite itself ± `model_uncertainty`),
    pH 0–14, up to 1 mol/kg and 10 atm of carbon dioxide, alkalinity of any sign. A potential that was not found is
    missing with a reason of its own and leaves the indices standing.

    Example
    -------
    >>> water = {"temperature_c": 25.0, "ph": 7.4, "calcium_mg_l": 80.0, "magnesium_mg_l": 12.0}
    >>> water |= {"sodium_mg_l": 20.0, "bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0}
    >>> saturate(pd.DataFrame([water]))[["calcite_si", "ccpp_mg_l_caco3"]].round(1).to_numpy().tolist()
    [[0.2, 13.3]]
    """
    prepared = prepare(waters)

    def answer(cases: Composition, _: slice) -> Answer:
        return minerals(at_sampling(cases), ccpp=ccpp)

    return assemble(waters, prepared, in_blocks(prepared.cases, answer))


def model_uncertainty(temperature_c: float | pd.Series[float]) -> pd.DataFrame:
    """How far published constants leave the calcite index open, at given temperatures.

    Perfect readings would still leave this; a verdict that hangs on less is not one.

    Parameters
    ----------
    temperature_c : one temperature or an (n,) series [°C].

    Returns
    -------
    (n, 2) frame [-]: ``calcite_si_plus_minus``, agreement of three independent compilations;
    ``newer_database_higher``, by how much the one that stands apart would raise the index.

    Notes
    -----
    ± 0.06 up to 95 °C, rising to ± 0.1 at 120 °C, the scatter of log Ksp over compilations [PHREEQC3].
    The 2024 data file gives log Ksp = 17.118 - 0.046528 T - 3496/T, lower by 0.3 at 93 °C and 0.5 at
    120 °C [PHREEQC38]; that side is named because it would mean more scale.

    Example
    -------
    >>> model_uncertainty(93.0).round(2).to_numpy().tolist()
    [[0.06, 0.3]]
    """
    at = temperature_c if isinstance(temperature_c, pd.Series) else pd.Series([float(temperature_c)])
    celsius = floats(at)
    spread = np.interp(celsius, [_COOL_C, _HOT_C], [_COOL_SPREAD, _HOT_SPREAD])
    newer = log_k("calcite", celsius) - log_k("calcite_2024", celsius)
    columns = {"calcite_si_plus_minus": spread, "newer_database_higher": np.maximum(newer, 0.0)}
    return pd.DataFrame(columns, index=at.index)
