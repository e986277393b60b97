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

from pipeline.arrays import floats
from pipeline.chemistry.activity import CHARGES, SPECIES, WATER_ACTIVITY_PER_MOLALITY, WEIGHTS, slopes, terms

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places

BOUND: Final = ("calcium", "magnesium", "sodium", "potassium", "silica")
HYDROGEN, CARBONATE, SULFATE, WATER = range(4)
MAX_IONIC_STRENGTH: Final = 1.0  # mol/kg, the end of the activity model
_STOICHIOMETRY: Final[Floats] = (
    SPECIES[["hydrogen", "carbonate", "sulfate", "water"]].to_numpy(dtype="float64").T.copy()
)
_BOUND_ROW: Final = np.array(
    [BOUND.index(name) if name in BOUND else -1 for name in SPECIES["bound_to"].fillna("")], dtype=np.intp
)
_CALCIUM: Final[Flags] = np.equal(_BOUND_ROW, BOUND.index("calcium"))
TRACE: Final = 1e-20  # mol/kg standing in for an absent constituent, whose logarithm is needed
_LONGEST_STEP: Final = 2.5  # in ln(activity) per iteration
_STEP_TOLERANCE: Final = 1e-9
_ITERATIONS: Final = 60
LEAST_LN_ACTIVITY: Final = -60.0  # below it a constituent has vanished: the question has no answer


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
    gather_strength: Floats = field(init=False)

    def __post_init__(self) -> None:
        """Lay out every sum over species as one matrix, so that one product gives them all."""
        sought = self.made_of[list(self.unknown)]
        rows = np.vstack([self.balance, 0.5 * np.square(CHARGES)[None, :]])
        pairs = rows[:, None, :] * sought[None, :, :]
        per_bound = (np.arange(len(BOUND))[:, None] == np.where(self.free, -1, _BOUND_ROW)[None, :]) * 1.0
        by_bound = [kind[:, None, :] * per_bound[None, :, :] for kind in (rows, sought)]
        flat = [block.reshape(-1, len(CHARGES)) for block in (pairs, *by_bound)]
        object.__setattr__(self, "gather", np.vstack([rows, *flat, np.ones((1, len(CHARGES)))]))
        object.__setattr__(self, "gather_strength", np.vstack([rows, per_bound]))


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
NO_CARBONATE: Final = _question((SULFATE,))
CLOSED: Final = _question((HYDROGEN, CARBONATE, SULFATE))
OPEN_TO_GAS: Final = _question((HYDROGEN, SULFATE), open_to_gas=True)
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

    def take(self, rows: Places) -> System:
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
    """Logarithm of the activity of water at a total molality [mol/kg] of solutes [PHREEQC3].

    A dilute solution's law, for up to 1 mol/kg; more than 10 mol/kg counts as 10.
    """
    return floats(np.log1p(-WATER_ACTIVITY_PER_MOLALITY * np.minimum(molality, 10.0)))


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
    per_activity = exponents.T @ variables
    per_activity += system.ln_k
    np.exp(per_activity, out=per_activity)
    bound_row = np.where(question.free, -1, _BOUND_ROW)
    member = (np.arange(len(BOUND))[:, None] == bound_row[None, :]) * 1.0
    capacity = member @ per_activity
    activity = np.ones((len(BOUND) + 1, capacity.shape[1]))
    np.divide(system.bound, capacity, out=activity[:-1], where=capacity > 0.0)
    return per_activity * activity[bound_row], activity[:-1]


def _linearise(question: Question, system: System, state: State, species: Floats) -> tuple[Floats, Floats, Floats]:
    """Slopes (k+1, k+1, n) and gaps (k+1, n) of the balances and the ionic strength; molality."""
    size, waters, bound = len(question.unknown), species.shape[1], len(BOUND)
    sums = question.gather @ species
    cuts = np.cumsum([size + 1, (size + 1) * size, (size + 1) * bound, size * bound])
    rows, pairs, in_rows, in_sought, molality = np.split(sums, cuts)
    by_strength = species * (-WEIGHTS @ slopes(state.strength, system.debye_a, system.debye_b))
    last = question.gather_strength @ by_strength
    matrix = np.empty((size + 1, size + 1, waters))
    matrix[:, :size] = pairs.reshape(size + 1, size, waters)
    matrix[:, size] = last[: size + 1]
    in_unknown = np.vstack([in_sought, last[size + 1 :]]).reshape(size + 1, bound, waters) / system.bound
    matrix -= np.einsum("rbn,cbn->rcn", in_rows.reshape(size + 1, bound, waters), in_unknown)
    matrix[size, size] -= state.strength
    gaps = np.vstack([system.target - rows[:size], state.strength - system.inert_strength - rows[size]])
    return matrix, gaps, molality[0] + system.inert_molality


def _solve(matrix: Floats, right: Floats) -> Floats:
    """Gauss elimination, last unknown first, for n small systems at once: (k, k, n) and (k, n).

    The ionic strength comes last and answers to itself almost alone, so it is a safe pivot; what is
    left is the curvature of a convex function and needs no pivoting either.
    """
    if len(right) == 1:
        return floats(right / matrix[0])
    factor = matrix[:-1, -1] / matrix[-1, -1]
    rest = _solve(matrix[:-1, :-1] - factor[:, None] * matrix[-1, :-1], right[:-1] - factor * right[-1])
    last = (right[-1] - np.sum(matrix[-1, :-1] * rest, axis=0)) / matrix[-1, -1]
    return floats(np.vstack([rest, last[None, :]]))


def _iterate(question: Question, system: System, state: State) -> tuple[State, Flags]:
    species, _ = distribute(question, system, state)
    matrix, gaps, molality = _linearise(question, system, state, species)
    step = np.clip(_solve(matrix, gaps), -_LONGEST_STEP, _LONGEST_STEP)
    activity = state.ln_activity.copy()
    activity[list(question.unknown)] += step[:-1]
    strength = state.strength * np.exp(step[-1])
    settled = np.abs(step).max(axis=0) < _STEP_TOLERANCE
    vanished = ~(activity.min(axis=0) > LEAST_LN_ACTIVITY)  # also true of NaN
    converged = settled & ~vanished & (strength < MAX_IONIC_STRENGTH)
    return State(activity, strength, molality, converged), settled | vanished


def solve(question: Question, system: System, *starts: State) -> State:
    """Answer one question for n waters, from the first start that leads to an answer.

    Parameters
    ----------
    question : one of the six of this module.
    system : the waters.
    starts : first guesses; a later one is used for the waters that no earlier one settled. Their ``converged``
        is not used; a start that is not a number costs nothing.

    Returns
    -------
    State; ``converged`` is False where no start settled, or the water is more concentrated than the activity
    model allows.
    """
    answer = _from_start(question, system, starts[0])
    for start in starts[1:]:
        again = np.flatnonzero(~answer.converged & np.isfinite(start.ln_activity).all(axis=0))
        if again.size:
            state = _from_start(question, system.take(again), _pick(start, again))
            _write(answer, again, state, state.converged)
    return answer


def _from_start(question: Question, system: System, start: State) -> State:
    """Run Newton's method from one start.

    Each water stops when its own steps have become small, so neither its neighbours nor its
    place in the table can change its result. ``converged`` is False where 60 iterations did not settle it.

    Notes
    -----
    Newton's method in ln(activity) and ln(ionic strength), the metals eliminated. At constant
    activity coefficients the balances are the gradient of a convex function, so a limited step suffices.
    """
    count = start.strength.size
    answer = _pick(start, np.arange(count))
    rows, part, state, done = np.arange(count), system, start, np.zeros(count, bool)
    with np.errstate(all="ignore"):  # a water that cannot be solved ends as not converged
        for _ in range(_ITERATIONS):
            state, settled = _iterate(question, part, state)
            _write(answer, rows, state, settled & ~done)
            done |= settled
            if done.all():
                break
            if np.count_nonzero(done) > done.size // 3:
                going = np.flatnonzero(~done)
                rows, part, state, done = rows[going], part.take(going), _pick(state, going), done[going]
        _write(answer, rows, state, ~done)
    return answer


def _pick(state: State, rows: Places) -> State:
    return State(state.ln_activity[:, rows], state.strength[rows], state.molality[rows], state.converged[rows])


def _write(answer: State, rows: Places, state: State, chosen: Flags) -> None:
    answer.ln_activity[:, rows[chosen]] = state.ln_activity[:, chosen]
    answer.strength[rows[chosen]] = state.strength[chosen]
    answer.molality[rows[chosen]] = state.molality[chosen]
    answer.converged[rows[chosen]] = state.converged[chosen]
