"""The carbonate system: how much carbon dioxide, bicarbonate and carbonate a water holds."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.activity import LN10, SPECIES
from pipeline.chemistry.composition import (
    NO_CARBONATE,
    NOT_CONVERGED,
    OK,
    TOO_MUCH_GAS,
    Composition,
    per_water,
    prepare,
)
from pipeline.chemistry.results import assemble, in_blocks
from pipeline.chemistry.solving import alkalinity_of, at_sampling, with_total_carbonate, without_carbonate

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Codes, Floats
    from pipeline.chemistry.constants import Constants
    from pipeline.chemistry.results import Answer
    from pipeline.chemistry.solution import Solution

_BICARBONATE: Final = SPECIES["species"].tolist().index("HCO3")
_ACID: Final = 5.0  # pH below which an alkalinity is bicarbonate alone
MOST_LOG_PCO2: Final = 1.0  # 10 atm: sparkling water holds 3 to 6; no water that stands in a glass more [CP]


def fault(solution: Solution, heated: Solution | None = None) -> Codes:
    """Say why a water as sampled has no answer.

    Parameters
    ----------
    solution : m waters, solved from their pH, their carbon dioxide or their total carbonate.
    heated : the same waters at another temperature, if that is what is asked for.

    Returns
    -------
    (m,) indices of `composition.REASONS`, 0 where there is an answer.
    """
    code = np.where(solution.state.converged, OK, NOT_CONVERGED)
    with np.errstate(invalid="ignore"):
        code[solution.state.converged & (solution.log_pco2 > MOST_LOG_PCO2)] = TOO_MUCH_GAS
    lost = np.flatnonzero(~solution.state.converged & np.isfinite(solution.cases.ph))
    if lost.size:
        code[lost] = _contradiction(solution.cases.take(lost), solution.constants.take(lost))
    if heated is not None:
        code = np.where((code == OK) & ~heated.state.converged, NOT_CONVERGED, code)
    return np.asarray(code, dtype=np.int64)


def _contradiction(cases: Composition, k: Constants) -> Codes:
    """Tell what speaks against a pH that leaves no room for the alkalinity, or asks too much carbonate of it."""
    bare = without_carbonate(cases, k)
    with np.errstate(all="ignore"):
        bicarbonate = cases.alkalinity - alkalinity_of(bare.species)  # about all of it, in an acid water
        ln_gas = np.log(bicarbonate) - LN10 * cases.ph + k.ln_carbon_dioxide - k.ln_species[_BICARBONATE]
        too_much = ln_gas / LN10 - k.log_henry > MOST_LOG_PCO2
    code = np.select([bicarbonate <= 0.0, too_much & (cases.ph < _ACID)], [NO_CARBONATE, TOO_MUCH_GAS], NOT_CONVERGED)
    return np.asarray(np.where(bare.state.converged, code, NOT_CONVERGED), dtype=np.int64)


def _basics(solution: Solution) -> dict[str, Floats]:
    return {
        "ph": solution.ph,
        "ionic_strength_mol_kg": solution.state.strength,
        "log_pco2_atm": solution.log_pco2,
    }


def _forms(solution: Solution) -> dict[str, Floats]:
    return {
        "total_carbonate_mmol_kg": 1e3 * solution.total_carbonate,
        "carbon_dioxide_mmol_kg": 1e3 * solution.amount("CO2"),
        "bicarbonate_mmol_kg": 1e3 * solution.amount("HCO3"),
        "carbonate_mmol_kg": 1e3 * solution.amount("CO3"),
    }


def speciate(waters: pd.DataFrame) -> pd.DataFrame:
    """Split each water into free ions and ion pairs, at its own temperature and pH.

    Everything else about scale and corrosion starts here: only the free carbonate and the free
    calcium take part, and in hot hard water a third of each can be bound.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns [°C, pH, mg/L]; missing values NaN. The pH is
        the one at ``temperature_c``.

    Returns
    -------
    (n, 24) frame, same index: ``ph ionic_strength_mol_kg log_pco2_atm total_carbonate_mmol_kg`` and the free
    ``carbon_dioxide bicarbonate carbonate`` ``_mmol_kg``, each with ``_low`` and ``_high``; ``converged``;
    ``reason`` where a figure is missing; ``assumption`` where something was assumed.

    Notes
    -----
    0–150 °C (PHREEQC within 0.001 of log10 to 95 °C, 0.03 to 150 °C), pH 0–14, up to 1 mol/kg and 10 atm of carbon
    dioxide; alkalinity of any sign. Alkalinity = [HCO3] + 2 [CO3] + [OH] - [H] + silicate and their pairs; constants in
    ``log_k.csv``, activities [TJ1974]. Without pH the water lies between a groundwater, log pCO2 = -1.5 [AP2005],
    and one that has met the air, -3.4; without the calcium share between 50 % and 100 % of hardness.

    Example
    -------
    >>> import pandas as pd
    >>> water = {"temperature_c": 25.0, "ph": 7.4, "calcium_mg_l": 80.0, "magnesium_mg_l": 12.0}
    >>> water |= {"sodium_mg_l": 20.0, "bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0}
    >>> float(speciate(pd.DataFrame([water]))["log_pco2_atm"].round(2).item())
    -2.02
    """
    prepared = prepare(waters)

    def answer(cases: Composition, _: slice) -> Answer:
        solution = at_sampling(cases)
        values = _basics(solution) | _forms(solution)
        return values, fault(solution)

    return assemble(waters, prepared, in_blocks(prepared.cases, answer))


def speciate_from_total(waters: pd.DataFrame, total_carbonate_mmol_kg: pd.Series[float]) -> pd.DataFrame:
    """Find the pH of each water from its alkalinity and total carbonate.

    Treatment that neither adds nor loses carbon dioxide (ion exchange, acid, lime) changes the
    alkalinity and leaves the total carbonate; the pH follows from both.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns, after treatment; its ``ph`` only starts the
        search and may be missing.
    total_carbonate_mmol_kg : (n,) series of the same index, as `speciate` gives it [mmol/kg].

    Returns
    -------
    frame of `speciate`'s columns, same index; not converged where the total is missing.

    Raises
    ------
    ValueError : the series belongs to other rows.

    Notes
    -----
    The range of `speciate`; a total of 0 has no answer.

    Example
    -------
    >>> import pandas as pd
    >>> readings = {"temperature_c": 25.0, "ph": 7.4, "calcium_mg_l": 40.0, "bicarbonate_mg_l": 122.0}
    >>> water = pd.DataFrame([readings])
    >>> before = speciate(water)
    >>> after = speciate_from_total(water.assign(ph=float("nan")), before["total_carbonate_mmol_kg"])
    >>> float(after["ph"].round(6).item())
    7.4
    """
    prepared = prepare(waters.assign(ph=waters["ph"].fillna(7.0) if "ph" in waters else 7.0))
    given = per_water(total_carbonate_mmol_kg, waters.index, "total_carbonate_mmol_kg")
    total = given[prepared.cases.row] / 1e3

    def answer(cases: Composition, block: slice) -> Answer:
        sought = replace(cases, ph=np.full(cases.ph.shape, np.nan))
        solution = with_total_carbonate(sought, cases.temperature_c, total[block], -LN10 * cases.ph)
        values = _basics(solution) | _forms(solution)
        return values, fault(solution)

    return assemble(waters, prepared, in_blocks(prepared.cases, answer))
