"""The solver: free ions, ion pairs and pH of many waters at once.

Every pair holds one metal ion (or one silica), so the metals follow in closed form from the three
activities of hydrogen, carbonate and sulfate; Newton's method finds those, water by water, while
the ionic strength follows. The same equations serve every question: which of the three is given,
and whether calcite is present, only changes the stoichiometry (`Question`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.activity import CHARGES, LN10, SPECIES, WATER_ACTIVITY_PER_MOLALITY, WEIGHTS, terms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

BOUND: Final = ("calcium", "magnesium", "sodium", "potassium", "silica")
HYDROGEN, CARBONATE, SULFATE, WATER = range(4)
MAX_IONIC_STRENGTH: Final = 1.0  # mol/kg, the end of the activity model
_STOICHIOMETRY: Final[Floats] = (
    SPECIES[["hydrogen", "carbonate", "sulfate", "water"]].to_numpy(dtype="float64").T.copy()
)
_BOUND_ROW: Final = np.array(
    [BOUND.index(name) if name in BOUND else -1 for name in SPECIES["bound_to"].fillna("")], dtype=np.intp
)
_CALCIUM: Final[Flags] = _BOUND_ROW == BOUND.index("calcium")
_TRACE: Final = 1e-20  # mol/kg standing in for an absent constituent, whose logarithm is needed
_LONGEST_STEP: Final = 2.5  # in ln(activity) per iteration
_STEP_TOLERANCE: Final = 1e-9
_ITERATIONS: Final = 80


@dataclass(frozen=True, eq=False)
class Question:
    """What is given and what is sought.

    ``unknown`` lists the activities sought; ``made_of`` (4, species) the exponents of hydrogen, carbonate,
    sulfate and water in each species; ``balance`` (equations, species) what each equation adds up;
    ``free`` marks the species whose constituent is not conserved, because a solid gives it.
    """

    unknown: tuple[int, ...]
    made_of: Floats
    balance: Floats
    free: Flags
    gather: Floats = field(init=False)

    def __post_init__(self) -> None:
        """Lay out every sum over species as one matrix, so that one product gives them all."""
        sought = self.made_of[list(self.unknown)]
        pairs = (self.balance[:, None, :] * sought[None, :, :]).reshape(-1, len(CHARGES))
        per_bound = (np.arange(len(BOUND))[:, None] == np.where(self.free, -1, _BOUND_ROW)[None, :]) * 1.0
        by_bound = [(rows[:, None, :] * per_bound[None, :, :]).reshape(-1, len(CHARGES))
                    for rows in (self.balance, sought)]  # fmt: skip
        strength = 0.5 * np.square(CHARGES)[None, :]
        stacked = np.vstack([self.balance, pairs, *by_bound, strength, np.ones_like(strength)])
        object.__setattr__(self, "gather", stacked)


def _question(unknown: tuple[int, ...], *, open_to_gas: bool = False, calcite: bool = False) -> Question:
    made_of = _STOICHIOMETRY.copy()
    free = _CALCIUM if calcite else np.zeros_like(_CALCIUM)
    made_of[CARBONATE] -= free  # calcium activity = Ksp / carbonate activity
    if open_to_gas:  # carbonate activity = carbon dioxide activity / hydrogen activity²
        made_of[HYDROGEN] -= 2.0 * made_of[CARBONATE]
        made_of[WATER] += made_of[CARBONATE]
    balance = made_of[list(unknown)]
    if unknown == (CARBONATE, SULFATE):
        balance[0] = 2.0 * made_of[CARBONATE] - made_of[HYDROGEN]  # alkalinity, for a known pH
    return Question(unknown, made_of, balance, free)


PH_KNOWN: Final = _question((CARBONATE, SULFATE))
CLOSED: Final = _question((HYDROGEN, CARBONATE, SULFATE))
OPEN: Final = _question((HYDROGEN, SULFATE), open_to_gas=True)
CLOSED_CALCITE: Final = _question((HYDROGEN, CARBONATE, SULFATE), calcite=True)
OPEN_CALCITE: Final = _question((HYDROGEN, SULFATE), open_to_gas=True, calcite=True)


@dataclass
class System:
    """n waters put as numbers: constants, totals and right-hand sides, one column per water.

    ``ln_k`` (species, n); ``bound`` (5, n) totals of `BOUND`; ``target`` (equations, n);
    ``inert_strength`` and ``inert_molality`` of the ions that form no pairs; all mol/kg.
    """

    ln_k: Floats
    bound: Floats
    target: Floats
    inert_strength: Floats
    inert_molality: Floats
    debye_a: Floats
    debye_b: Floats

    def take(self, rows: NDArray[np.intp]) -> System:
        """Keep some of the waters."""
        return System(*(values[..., rows] for values in vars(self).values()))


@dataclass
class State:
    """Solution of n waters: ``ln_activity`` (3, n) of hydrogen, carbonate (in an open system the carbon
    dioxide term) and sulfate; ionic strength and total molality [mol/kg]; and whether it converged.
    """  # noqa: D205 (the summary needs two lines)

    ln_activity: Floats
    strength: Floats
    molality: Floats
    converged: Flags


def ln_water_activity(molality: Floats) -> Floats:
    """Logarithm of the activity of water at a total molality [mol/kg] of solutes [PHREEQC3]."""
    return np.log1p(-WATER_ACTIVITY_PER_MOLALITY * np.minimum(molality, 10.0))


def distribute(question: Question, system: System, state: State) -> tuple[Floats, Floats]:
    """Concentrations of all species [mol/kg] and free activities of `BOUND`, for given activities.

    Returns
    -------
    (species, n) concentrations and (5, n) activities; a constituent that a solid gives reads 1.
    """
    exponents = np.vstack([question.made_of, -WEIGHTS.T])
    variables = np.vstack(
        [
            state.ln_activity,
            ln_water_activity(state.molality)[None, :],
            terms(state.strength, system.debye_a, system.debye_b),
        ]
    )
    per_activity = np.exp(system.ln_k + exponents.T @ variables)
    bound_row = np.where(question.free, -1, _BOUND_ROW)
    member = (np.arange(len(BOUND))[:, None] == bound_row[None, :]) * 1.0
    capacity = member @ per_activity
    activity = np.ones((len(BOUND) + 1, capacity.shape[1]))
    np.divide(system.bound, capacity, out=activity[:-1], where=capacity > 0.0)
    return per_activity * activity[bound_row], activity[:-1]


def _newton_step(question: Question, sums: Floats, system: System) -> tuple[Floats, Floats, Floats]:
    """One step in ln(activity), with the ionic strength and molality of the species as they stand."""
    size = len(question.unknown)
    cuts = np.cumsum([size, size * size, size * len(BOUND), size * len(BOUND), 1])
    balance, slopes, in_balance, in_unknown, strength, molality = np.split(sums, cuts)
    waters = sums.shape[1]
    slopes = slopes.reshape(size, size, waters)
    in_balance = in_balance.reshape(size, len(BOUND), waters)
    in_unknown = in_unknown.reshape(size, len(BOUND), waters) / system.bound
    for row in range(size):
        for column in range(size):
            slopes[row, column] -= np.sum(in_balance[row] * in_unknown[column], axis=0)
    step = _solve(slopes, system.target - balance)
    return step, strength[0] + system.inert_strength, molality[0] + system.inert_molality


def _solve(matrix: Floats, right: Floats) -> Floats:
    """Cramer's rule for n small systems at once: (k, k, n) and (k, n), k = 2 or 3."""
    if len(right) == 2:  # noqa: PLR2004 (k of the docstring)
        determinant = matrix[0, 0] * matrix[1, 1] - matrix[0, 1] * matrix[1, 0]
        first = right[0] * matrix[1, 1] - matrix[0, 1] * right[1]
        second = matrix[0, 0] * right[1] - right[0] * matrix[1, 0]
        return np.stack([first, second]) / determinant
    minors = np.cross(matrix[1], matrix[2], axis=0)
    determinant = np.sum(matrix[0] * minors, axis=0)
    columns = [np.where((np.arange(3) == k)[None, :, None], right[:, None, :], matrix) for k in range(3)]
    tops = [np.sum(part[0] * np.cross(part[1], part[2], axis=0), axis=0) for part in columns]
    return np.stack(tops) / determinant


def _iterate(question: Question, system: System, state: State) -> tuple[State, Flags]:
    species, _ = distribute(question, system, state)
    step, strength, molality = _newton_step(question, question.gather @ species, system)
    step = np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
    strength = np.minimum(strength, 4.0 * state.strength + 0.01)
    moved = np.abs(step).max(axis=0) + np.abs(strength - state.strength) / strength
    activity = state.ln_activity.copy()
    activity[list(question.unknown)] += step
    return State(activity, strength, molality, state.converged), moved < _STEP_TOLERANCE


def solve(question: Question, system: System, start: State) -> State:
    """Answer one question for n waters.

    Each water stops when its own steps have become small, so neither its neighbours nor its
    place in the table can change its result.

    Parameters
    ----------
    question : one of the five of this module.
    system : the waters; ``system.bound`` may hold zeros.
    start : a first guess; its ``converged`` is not used.

    Returns
    -------
    State; ``converged`` is False where 80 iterations did not settle it, or the water is more
    concentrated than the activity model allows.

    Notes
    -----
    Newton's method on the mole balances in ln(activity), the metals eliminated; the system is the gradient of a
    convex function when the balances are those of the unknowns, so a limited step suffices.
    """
    system.bound = np.maximum(system.bound, _TRACE)
    answer = State(
        start.ln_activity.copy(), start.strength.copy(), start.molality.copy(), np.zeros(start.strength.size, bool)
    )
    rows, part, state = np.arange(start.strength.size), system, answer
    with np.errstate(all="ignore"):  # a water that cannot be solved ends as not converged
        for _ in range(_ITERATIONS):
            following, settled = _iterate(question, part, state)
            _write(answer, rows[settled], following, settled)
            going = np.flatnonzero(~settled)
            if going.size == 0:
                break
            rows, part, state = rows[going], part.take(going), _pick(following, going)
    return answer


def _pick(state: State, rows: NDArray[np.intp]) -> State:
    return State(
        state.ln_activity[:, rows], state.strength[rows], state.molality[rows], state.converged[rows]
    )


def _write(answer: State, rows: NDArray[np.intp], state: State, settled: Flags) -> None:
    answer.ln_activity[:, rows] = state.ln_activity[:, settled]
    answer.strength[rows] = state.strength[settled]
    answer.molality[rows] = state.molality[settled]
    answer.converged[rows] = state.strength[settled] < MAX_IONIC_STRENGTH


def log10_activity(ln_activity: Floats) -> Floats:
    """Natural to decimal logarithm."""
    return ln_activity / LN10
