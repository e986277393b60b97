"""Where the search for calcite equilibrium starts: the carbonate system alone, closed in by halving.

An acid permeate ends four units of pH from where it began; Newton's method needs a start nearer than that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.activity import LN10, SPECIES, WEIGHTS, terms
from pipeline.chemistry.composition import CALCIUM, SILICA
from pipeline.chemistry.equilibrium import CARBONATE, HYDROGEN, State

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.arrays import Floats
    from pipeline.chemistry.solution import Solution

    Carbonate = Callable[[Floats], tuple[Floats, Floats]]

_ROW: Final = {name: row for row, name in enumerate(SPECIES["species"])}
_PH_RANGE: Final = (1.0, 13.0)  # calcite keeps any water between them
_HALVINGS: Final = 9  # leaves 0.02 of pH
_LEAST: Final = 1e-20  # mol/kg, so that a logarithm exists
_LEAST_SHARE: Final = 0.5  # of the ionic strength, left where calcite falls out


def start_of_calcite(solution: Solution, *, open_to_gas: bool) -> State:
    """Give a state near calcite equilibrium: hydrogen and carbonate from a water of these and calcium alone.

    Parameters
    ----------
    solution : m solved waters, 0–150 °C, up to 1 mol/kg.
    open_to_gas : whether the carbon dioxide is kept, and not the total carbonate.

    Returns
    -------
    State to start Newton's method from.

    Notes
    -----
    With c calcium, t total carbonate, a alkalinity and x the calcite dissolved: a + 2x = HCO3 + 2 CO3 + OH - H and
    silicate, t + x = CO2 + HCO3 + CO3 and (c + x) CO3 = Ksp, at the activity coefficients and the free share of
    calcium that the water had before. Both x and the product grow with the pH.
    """
    state, mineral = solution.state, solution.constants.ln_mineral["calcite"]
    with np.errstate(all="ignore"):  # waters that did not converge are dropped by name
        gamma = WEIGHTS @ terms(state.strength, solution.constants.debye_a, solution.constants.debye_b)
        calcium, free_share = solution.cases.ions[CALCIUM], gamma[_ROW["Ca"]]
        bound = np.log(solution.bound_activity[CALCIUM] / calcium)
        ksp = np.exp(mineral - gamma[_ROW["CO3"]] - np.where(calcium > 0.0, bound, free_share))
        at = _open(solution) if open_to_gas else _closed(solution)
        low, high = (np.full(calcium.shape, end) for end in _PH_RANGE)
        for _ in range(_HALVINGS):
            middle = (low + high) / 2.0
            dissolved, carbonate = at(middle)
            above = (calcium + dissolved) * carbonate > ksp
            above &= calcium + dissolved > 0.0
            low, high = np.where(above, low, middle), np.where(above, middle, high)
        ph = (low + high) / 2.0
        dissolved, carbonate = at(ph)
        activity = state.ln_activity.copy()
        activity[HYDROGEN] = -LN10 * ph
        activity[CARBONATE] = np.log(np.maximum(carbonate, _LEAST)) + gamma[_ROW["CO3"]]
        strength = np.maximum(state.strength + 3.0 * dissolved, _LEAST_SHARE * state.strength)
        molality = np.maximum(state.molality + 2.0 * dissolved, _LEAST_SHARE * state.molality)
        return State(activity, strength, molality, state.converged)


def shifted(solution: Solution, *, open_to_gas: bool) -> State:
    """Move the water's own state by its saturation index: the second start, for strong scale in hot alkaline waters.

    Parameters
    ----------
    solution, open_to_gas : as for `start_of_calcite`.
    """
    state = solution.state
    calcium, total = solution.cases.ions[CALCIUM], solution.total_carbonate
    ln_index = LN10 * np.nan_to_num(solution.saturation_indices()["calcite"], nan=-3.0)
    activity = state.ln_activity.copy()
    if open_to_gas:
        activity[HYDROGEN] += ln_index / 3.0  # carbonate goes with 1/H²
    else:
        shared = np.clip(calcium / (calcium + total), 0.1, 0.95)  # where calcium abounds, carbonate does the moving
        activity[CARBONATE] -= ln_index * shared
        activity[HYDROGEN] += ln_index * shared * 0.5
    return State(activity, state.strength, state.molality, state.converged)


def _closed(solution: Solution) -> Carbonate:
    first, both = _ratios(solution)
    total, rest = solution.total_carbonate, _other_alkalinity(solution)

    def at(ph: Floats) -> tuple[Floats, Floats]:
        hydrogen = 10.0**-ph
        bicarbonate, carbonate = first / hydrogen, both / hydrogen**2
        whole = 1.0 + bicarbonate + carbonate
        charge = (bicarbonate + 2.0 * carbonate) / whole
        dissolved = (total * charge + rest(hydrogen)) / (2.0 - charge)
        return dissolved, (total + dissolved) * carbonate / whole

    return at


def _open(solution: Solution) -> Carbonate:
    first, both = _ratios(solution)
    gas, rest = solution.amount("CO2"), _other_alkalinity(solution)

    def at(ph: Floats) -> tuple[Floats, Floats]:
        hydrogen = 10.0**-ph
        bicarbonate, carbonate = gas * first / hydrogen, gas * both / hydrogen**2
        return (bicarbonate + 2.0 * carbonate + rest(hydrogen)) / 2.0, carbonate

    return at


def _ratios(solution: Solution) -> tuple[Floats, Floats]:
    """HCO3·H/CO2 and CO3·H²/CO2: concentrations, but the activity of hydrogen."""
    hydrogen, gas = np.exp(solution.state.ln_activity[HYDROGEN]), solution.amount("CO2")
    return (
        floats(solution.amount("HCO3") * hydrogen / gas),
        floats(solution.amount("CO3") * hydrogen**2 / gas),
    )


def _other_alkalinity(solution: Solution) -> Callable[[Floats], Floats]:
    """Alkalinity of hydroxide, hydrogen and silicate at another activity of hydrogen, less that of the water."""
    hydrogen = np.exp(solution.state.ln_activity[HYDROGEN])
    hydroxide, silica = solution.amount("OH") * hydrogen, solution.cases.ions[SILICA]
    silicic = solution.amount("H3SiO4") * hydrogen / solution.amount("H4SiO4")

    def at(other: Floats) -> Floats:
        silicate = np.where(silica > 0.0, silica * silicic / (silicic + other), 0.0)
        return floats(hydroxide / other - other + silicate - solution.cases.alkalinity)

    return at
