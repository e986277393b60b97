"""The carbonate system: how much carbon dioxide, bicarbonate and carbonate a water holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.chemistry.activity import LN10
from pipeline.chemistry.composition import Composition, per_water, prepare
from pipeline.chemistry.equilibrium import CARBONATE, LEAST_LN_ACTIVITY
from pipeline.chemistry.results import assemble, in_blocks
from pipeline.chemistry.solution import Solution, at_sampling, with_total_carbonate

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags, Floats
    from pipeline.chemistry.results import Answer


def contradicted(solution: Solution) -> Flags:
    """Mark the waters whose carbonate vanished: their pH leaves no room for their alkalinity."""
    gone = solution.state.ln_activity[CARBONATE] <= LEAST_LN_ACTIVITY
    return np.asarray(gone & ~solution.state.converged)


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
    Alkalinity = [HCO3] + 2 [CO3] + [OH] - [H] + silicate and their pairs; constants in ``log_k.csv``,
    activities [TJ1974]. Without pH the water lies between a groundwater, log pCO2 = -1.5 [AP2005],
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
        return values, solution.state.converged, contradicted(solution)

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
        solution = with_total_carbonate(cases, cases.temperature_c, total[block], -LN10 * cases.ph)
        values = _basics(solution) | _forms(solution)
        return values, solution.state.converged, contradicted(solution)

    return assemble(waters, prepared, in_blocks(prepared.cases, answer))
