"""Solve waters: at the sampling temperature, heated closed or open, and brought to calcite equilibrium."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry import equilibrium
from pipeline.chemistry.activity import LN10, SPECIES
from pipeline.chemistry.calcite_start import shifted, start_of_calcite
from pipeline.chemistry.composition import BOUND_ROWS, CALCIUM, CHARGE_OF_ION, INERT_ROWS, SULFATE, Composition
from pipeline.chemistry.constants import Constants, constants
from pipeline.chemistry.equilibrium import CARBONATE, HYDROGEN, TRACE, Question, State, System
from pipeline.chemistry.solution import LN_NO_CARBONATE, Solution

if TYPE_CHECKING:
    from pipeline.arrays import Floats

_ROW: Final = {name: row for row, name in enumerate(SPECIES["species"])}
_CALCIUM_SPECIES: Final = (SPECIES["bound_to"] == "calcium").to_numpy()
_ALKALINITY: Final = (2.0 * SPECIES["carbonate"] - SPECIES["hydrogen"]).to_numpy(dtype="float64")
UNSEEN_ALKALINITY: Final = 2e-5  # eq/kg: 1 mg/L as CaCO3, the noise of any titration [CP]
_LITTLE_ALKALINITY: Final = 1e-3  # eq/kg; with more, no carbonate is a contradiction and not a pure water


def _system(cases: Composition, k: Constants, target: Floats, *, calcite: bool = False) -> System:
    ln_k = k.ln_species
    if calcite:
        ln_k = ln_k + np.where(_CALCIUM_SPECIES[:, None], k.ln_mineral["calcite"][None, :], 0.0)
    inert = cases.ions[INERT_ROWS]
    strength = 0.5 * np.square(CHARGE_OF_ION[INERT_ROWS]) @ inert
    return System(
        ln_k,
        np.maximum(cases.ions[BOUND_ROWS], TRACE),
        target,
        strength,
        inert.sum(axis=0),
        k.debye_a,
        k.debye_b,
    )


def _answer(question: Question, system: System, cases: Composition, k: Constants, *starts: State) -> Solution:
    state = equilibrium.solve(question, system, *starts)
    with np.errstate(all="ignore"):  # waters that did not converge may overflow; they are dropped by name
        species, activity = equilibrium.distribute(question, system, state)
        if question in (equilibrium.OPEN_TO_GAS, equilibrium.OPEN_CALCITE):
            state.ln_activity[CARBONATE] += equilibrium.ln_water_activity(state.molality)
            state.ln_activity[CARBONATE] -= 2.0 * state.ln_activity[HYDROGEN]
        if question in (equilibrium.CLOSED_CALCITE, equilibrium.OPEN_CALCITE):
            activity[CALCIUM] = np.exp(k.ln_mineral["calcite"] - state.ln_activity[CARBONATE])
    return Solution(cases, k, state, species, activity)


def _guess(cases: Composition, k: Constants, ln_hydrogen: Floats) -> State:
    """Treat the alkalinity as bicarbonate and carbonate, and the salts as if they did not pair."""
    ratio = np.exp(k.ln_species[_ROW["HCO3"]] + ln_hydrogen)  # bicarbonate per carbonate
    hydroxide = np.exp(k.ln_species[_ROW["OH"]] - ln_hydrogen)
    carbonate_alkalinity = cases.alkalinity - hydroxide + np.exp(ln_hydrogen)
    carbonate = np.maximum(carbonate_alkalinity, 0.05 * np.abs(cases.alkalinity) + 1e-9) / (ratio + 2.0)
    sulfate = np.maximum(cases.ions[SULFATE], TRACE)
    strength = 0.5 * (np.square(CHARGE_OF_ION) @ cases.ions + np.abs(cases.alkalinity)) + 1e-7
    strength += 0.5 * (hydroxide + np.exp(ln_hydrogen))
    activity = np.vstack([ln_hydrogen, np.log(carbonate), np.log(sulfate)])
    return State(activity, strength, 2.0 * strength, np.zeros(strength.size, bool))


def with_ph(cases: Composition) -> Solution:
    """Solve waters whose pH is known at their own temperature: 0–150 °C, pH 0–14, up to 1 mol/kg.

    A water whose pH and alkalinity leave no carbonate, but agree within what a titration can see, has none.
    """
    k = constants(cases.temperature_c)
    target = np.vstack([cases.alkalinity, np.maximum(cases.ions[SULFATE], TRACE)])
    start = _guess(cases, k, -LN10 * cases.ph)
    solution = _answer(equilibrium.PH_KNOWN, _system(cases, k, target), cases, k, start)
    failed = np.flatnonzero(~solution.state.converged & (np.abs(cases.alkalinity) < _LITTLE_ALKALINITY))
    if failed.size:
        bare = without_carbonate(cases.take(failed), k.take(failed))
        gap = alkalinity_of(bare.species) - bare.cases.alkalinity
        agree = bare.state.converged & (np.abs(gap) < UNSEEN_ALKALINITY)
        solution.overwrite(failed[agree], bare, np.flatnonzero(agree))
    return solution


def without_carbonate(cases: Composition, k: Constants) -> Solution:
    """Solve waters of known pH as if they held no carbonate at all; the range of `with_ph`."""
    start = _guess(cases, k, -LN10 * cases.ph)
    start.ln_activity[CARBONATE] = LN_NO_CARBONATE
    target = np.maximum(cases.ions[SULFATE], TRACE)[None, :]
    return _answer(equilibrium.NO_CARBONATE, _system(cases, k, target), cases, k, start)


def alkalinity_of(species: Floats) -> Floats:
    """Alkalinity [mol of charge/kg] of concentrations (species, m) [mol/kg]: 2 carbonate - hydrogen of each."""
    return floats(_ALKALINITY @ species)


def with_gas(cases: Composition, temperature_c: Floats, log_pco2: Floats) -> Solution:
    """Solve waters in balance with a carbon dioxide pressure [log10 atm]; alkalinity is conserved."""
    k = constants(temperature_c)
    ln_gas = LN10 * (log_pco2 + k.log_henry)
    ln_first = k.ln_carbon_dioxide - k.ln_species[_ROW["HCO3"]]  # CO2 from HCO3 + H
    acid = np.exp(ln_gas - ln_first)  # hydrogen times bicarbonate, which with hydrogen makes up the alkalinity
    ln_hydrogen = np.log((np.sqrt(cases.alkalinity**2 + 4.0 * acid) - cases.alkalinity) / 2.0)
    start = _guess(cases, k, ln_hydrogen)
    start.ln_activity[CARBONATE] = ln_gas - k.ln_carbon_dioxide
    target = np.vstack([-cases.alkalinity, np.maximum(cases.ions[SULFATE], TRACE)])
    return _answer(equilibrium.OPEN_TO_GAS, _system(cases, k, target), cases, k, start)


def with_total_carbonate(cases: Composition, temperature_c: Floats, total: Floats, ln_hydrogen: Floats) -> Solution:
    """Solve waters of known total carbonate [mol/kg]; ``ln_hydrogen`` is a first guess."""
    k = constants(temperature_c)
    proton = 2.0 * total - cases.alkalinity
    target = np.vstack([proton, total, np.maximum(cases.ions[SULFATE], TRACE)])
    return _answer(equilibrium.CLOSED, _system(cases, k, target), cases, k, _guess(cases, k, ln_hydrogen))


def at_sampling(cases: Composition) -> Solution:
    """Solve each case from its pH, or from its carbon dioxide pressure where pH is missing."""
    known = np.isfinite(cases.ph)
    if known.all():
        return with_ph(cases)
    gas = with_gas(cases.take(np.flatnonzero(~known)), cases.temperature_c[~known], cases.log_pco2[~known])
    ph = cases.ph.copy()
    ph[~known] = np.where(gas.state.converged, gas.ph, 7.0)
    solution = with_ph(Composition(cases.row, cases.temperature_c, ph, cases.log_pco2, cases.ions, cases.alkalinity))
    solution.state.converged[~known] &= gas.state.converged
    return solution


def heated_closed(solution: Solution, temperature_c: Floats) -> Solution:
    """Bring waters to another temperature with nothing lost: total carbonate and alkalinity kept."""
    k = constants(temperature_c)
    first = k.ln_species[_ROW["HCO3"]] - k.ln_carbon_dioxide
    first_before = solution.constants.ln_species[_ROW["HCO3"]] - solution.constants.ln_carbon_dioxide
    guess = solution.state.ln_activity[HYDROGEN] + first - first_before  # CO2 : HCO3 as before
    guess = np.where(solution.state.converged, guess, np.nan)  # a failed water costs nothing more
    total = solution.total_carbonate
    return _keep_failures(solution, with_total_carbonate(solution.cases, temperature_c, total, guess))


def heated_open(solution: Solution, temperature_c: Floats, log_pco2: float) -> Solution:
    """Bring waters to another temperature while they exchange carbon dioxide with the air."""
    gas = np.full(temperature_c.shape, log_pco2)
    return _keep_failures(solution, with_gas(solution.cases, temperature_c, gas))


def with_calcite(solution: Solution, *, open_to_gas: bool = False) -> tuple[Solution, Floats]:
    """Let waters precipitate or dissolve calcite until they are saturated.

    Parameters
    ----------
    solution : m solved waters, 0–150 °C, up to 1 mol/kg.
    open_to_gas : whether carbon dioxide is exchanged with the air meanwhile.

    Returns
    -------
    the saturated solution, and the calcite precipitated [mol/kg], negative where it dissolves.
    """
    cases, k, state = solution.cases, solution.constants, solution.state
    calcium, sulfate = cases.ions[CALCIUM], np.maximum(cases.ions[SULFATE], TRACE)
    total = solution.total_carbonate
    starts = (start_of_calcite(solution, open_to_gas=open_to_gas), shifted(solution, open_to_gas=open_to_gas))
    question = equilibrium.OPEN_CALCITE if open_to_gas else equilibrium.CLOSED_CALCITE
    if open_to_gas:
        target = np.vstack([2.0 * calcium - cases.alkalinity, sulfate])
        gas = LN10 * (solution.log_pco2 + k.log_henry) - k.ln_carbon_dioxide
        for start in starts:
            start.ln_activity[CARBONATE] = gas
    else:
        target = np.vstack([2.0 * total - cases.alkalinity, total - calcium, sulfate])
    for start in starts:
        start.ln_activity[:, ~state.converged] = np.nan  # a failed water costs nothing more
    saturated = _answer(question, _system(cases, k, target, calcite=True), cases, k, *starts)
    left = saturated.species[_CALCIUM_SPECIES].sum(axis=0)
    return _keep_failures(solution, saturated), calcium - left


def _keep_failures(before: Solution, after: Solution) -> Solution:
    after.state.converged &= before.state.converged
    return after
