"""The decision table: which row holds for a water, and which rows hold at the ends of what is not known."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.assess.planning import MOST_C, planning_rule
from pipeline.checks.hardness import SODIUM_PER_CACO3
from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CHARGE, MG_CACO3_PER_MEQ, MOLAR_MASS
from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.treat.choosing.case import ALKALINITY, CALCIUM_HARDNESS, HARDNESS, UNKNOWN, Reach
from pipeline.treat.choosing.conditions import Groups, conditions_of, group_quantities, holds
from pipeline.treat.processes.treatments import TREATMENTS
from pipeline.words import sentences_of
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.assess.profiles import Band
    from pipeline.treat.choosing.case import Case

# What the rules of this module reckon with, under the names of the table.
_BASIC: Final = {
    "hardness": HARDNESS,
    "alkalinity": ALKALINITY,
    "ph": "ph",
    "conductivity": "conductivity_us_cm_25c",
    **{
        name: f"{name}_mg_l"
        for name in ("sodium", "chloride", "sulfate", "nitrate", "iron", "manganese", "copper", "lead")
    },
    "turbidity": "turbidity_ntu",
}
# A condition may compare any quantity that can be read.
READ: Final = _BASIC | {name: own.column for name, own in ANALYTES.items() if name not in (*_BASIC, "total_hardness")}
_LEAST_US_PER_MEQ: Final = 85.0  # no natural water conducts less per meq/L of cations; usual are 93 to 100 [CP]
_LEGAL_MG_L: Final = {"sodium": 200.0, "chloride": 250.0}  # what a public supply may hold at most [EU2020]
_PH_OF_MAINS: Final = (6.5, 9.5)  # [EU2020]
_MOST_LITRES: Final = 500.0  # a day; the largest machines of a bar [CP]
_LEAST_SHARE: Final = 0.8  # of the excess alkalinity that sodium must explain [CP]
EXCESS: Final = 20.0  # alkalinity above hardness that makes one ask for a softener [CP]
_POINTS: Final = 201
_CLOSE: Final = 1e-9
_KNOWN_FACTS: Final = ("litres", "drain", "softened")
_DERIVED: Final = (
    *("hardness_per_alkalinity", "alkalinity_excess", "sodium_per_excess", "hardness_left", "zone_hardness"),
    *("hardness_low", "hardness_high", "alkalinity_low", "alkalinity_high"),
    *("steam_scale", "copper_parts", "untested_well"),
)
_ENDS: Final = ("stop", "pretreat", "alkalinity")  # of the table that are no treatment themselves


@dataclass(frozen=True)
class DecisionRow:
    """One row of the table: any group of clauses suffices, in a group all must hold."""

    key: str
    groups: Groups
    treatment: str
    reason: str
    also: tuple[str, ...]
    proviso: str
    source: str

    def holds(self, facts: pd.DataFrame) -> Flags:
        """Tell for (n,) facts."""
        return holds(self.groups, facts)


@dataclass(frozen=True)
class Turn:
    """A quantity that could change the answer: from ``low`` to ``high`` of it, ``row`` would hold (None: no row).

    ``least`` and ``most`` are what the quantity may be at all; ``read`` is its reading, missing if none.
    """

    quantity: str
    low: float
    high: float
    least: float
    most: float
    read: float
    row: DecisionRow | None


@dataclass(frozen=True)
class Decided:
    """The row that holds, and every turn the unknown could take."""

    row: DecisionRow | None
    turns: tuple[Turn, ...]
    facts: Mapping[str, float]


@cache
def decision_rows() -> tuple[DecisionRow, ...]:
    """Give the decision table in its order.

    Example
    -------
    >>> [row.treatment for row in decision_rows() if row.key == "8"]
    ['none']
    """
    listed = table("decision_rows").fillna({"also": "", "proviso": ""})
    named = (*READ, *_KNOWN_FACTS, *_DERIVED)
    found = tuple(
        DecisionRow(
            str(row["row"]),
            conditions_of(str(row["condition"]), named, f"decision_rows.csv, row {row['row']}"),
            str(row["treatment"]),
            str(row["reason"]),
            tuple(part for part in str(row["also"]).split("; ") if part),
            str(row["proviso"]),
            str(row["source"]),
        )
        for row in listed.to_dict("records")
    )
    for row in found:
        _answers_exist(row)
    return found


def _answers_exist(row: DecisionRow) -> None:
    """Refuse a row that leads to nothing: no such treatment, or no sentence that gives the reason."""
    unknown = [name for name in (row.treatment, *row.also) if name not in (*TREATMENTS, *_ENDS)]
    if unknown:
        raise KettlestoneError(
            f'decision_rows.csv, row {row.key}: "{unknown[0]}" is no treatment.\n'
            f"  Write one of {', '.join((*TREATMENTS, *_ENDS))}.\n  Nothing was advised."
        )
    unworded = [code for code in (row.reason, row.proviso) if code and code not in sentences_of("en")]
    if unworded:
        raise KettlestoneError(
            f'decision_rows.csv, row {row.key}: no sentence has the code "{unworded[0]}".\n'
            "  Add it to pipeline/words/<language>/choose.csv.\n  Nothing was advised."
        )


def _moved(name: str) -> bool:
    """Say whether the answer can hang on a quantity: a rule here reckons with it, or a row names it."""
    return name in _BASIC or any(name in group_quantities(row.groups) for row in decision_rows())


def first_row(facts: pd.DataFrame) -> Places:
    """Find for each of (n,) facts the place of the first row that holds; -1 where none does."""
    held = np.stack([row.holds(facts) for row in decision_rows()])
    return np.where(held.any(axis=0), held.argmax(axis=0), -1)


def matching_row(case: Case, target: float, cleared: tuple[str, ...] = ()) -> Decided:
    """Find the row for a case, and how it changes with what is uncertain or was not measured.

    One quantity is moved at a time over everything it may be; where the row changes the answer depends on it.

    Parameters
    ----------
    case : water and machine.
    target : alkalinity a decarboniser would be set to [mg/L as CaCO3].
    cleared : quantities to leave out, as if a pretreatment had removed them.

    Returns
    -------
    Decided; turns in the order of the table of quantities, the one nearest to the reading first.
    """
    reach = {name: UNKNOWN if name in cleared else own for name, own in quantity_reaches(case).items()}
    moved = [name for name, own in reach.items() if own.high > own.low]
    grids = [_grid(case, name, reach[name]) for name in moved]
    ends = np.cumsum([1, *(grid.size for grid in grids)])
    columns = {name: np.full(ends[-1], own.value) for name, own in reach.items()}
    for name, grid, first in zip(moved, grids, ends, strict=False):
        columns[name][first : first + grid.size] = grid
        if name == "drain" and math.isnan(reach["litres"].value):
            columns["litres"][first : first + grid.size] = _MOST_LITRES
    facts = derived(pd.DataFrame(columns), case, target)
    found = first_row(facts)
    turns: list[Turn] = []
    for name, grid, first in zip(moved, grids, ends, strict=False):
        turns += _turns(name, grid, found[first : first + grid.size], int(found[0]), reach[name])
    return Decided(_row(int(found[0])), tuple(turns), {str(name): float(floats(facts[name])[0]) for name in facts})


def _grid(case: Case, name: str, reach: Reach) -> Floats:
    """Points over all a quantity may be, with one close on each side of every limit the table has for it."""
    named = {f"{kind}_{end}": _end(band, end) for kind, band in _bands(case).items() for end in ("low", "high")}
    clauses = [clause for row in decision_rows() for group in row.groups for clause in group if clause.quantity == name]
    known = [named[clause.limit] if clause.limit in named else float(clause.limit) for clause in clauses]
    inside = [limit for limit in known if reach.low < limit < reach.high]
    beside = [limit + side * _CLOSE * (1.0 + abs(limit)) for limit in inside for side in (-1.0, 1.0)]
    return np.unique(np.concatenate([np.linspace(reach.low, reach.high, _POINTS), floats(beside)]))


def _bands(case: Case) -> dict[str, Band | None]:
    return {"hardness": hardness_band(case), "alkalinity": case.profile.band("alkalinity")}


def _row(place: int) -> DecisionRow | None:
    return decision_rows()[place] if place >= 0 else None


def _turns(name: str, grid: Floats, found: Places, here: int, reach: Reach) -> list[Turn]:
    """Cut the way of one quantity into stretches of one row; those of the present row are no turns."""
    starts = np.flatnonzero(np.diff(found, prepend=-2))
    ends = np.append(starts[1:], found.size) - 1
    # A limit lies halfway between the last point of one stretch and the first of the next.
    edges = np.concatenate([grid[:1], 0.5 * (grid[1:] + grid[:-1]), grid[-1:]])
    return [
        Turn(
            name,
            float(edges[start]),
            float(edges[end + 1]),
            reach.low,
            reach.high,
            reach.value,
            _row(int(found[start])),
        )
        for start, end in zip(starts, ends, strict=True)
        if int(found[start]) != here
    ]


def quantity_reaches(case: Case) -> dict[str, Reach]:
    """Say what each quantity of the table may be.

    Parameters
    ----------
    case : water and machine.

    Returns
    -------
    quantity -> reach. Not measured: no value, and the bounds that conductivity, charge and, for a public supply,
    the law leave; `UNKNOWN` where nothing speaks.

    Notes
    -----
    Conductivity/85 is the most the cations can add up to [meq/L]; what hardness leaves of it is the most sodium,
    what alkalinity leaves of it the most chloride [CP].
    """
    known = case.known
    read = {name: known[column] for name, column in READ.items() if _moved(name)}
    if "conductivity" in case.held():
        read["conductivity"] = UNKNOWN
    public = case.supply_kind not in ("well", "spring", "soda", "permeate", "bottled")
    for name, most in _room(read).items():
        if not read[name].known:
            read[name] = _possible(_least(name, read), min(most, _LEGAL_MG_L[name] if public else math.inf))
    if not read["ph"].known:
        read["ph"] = _possible(*_PH_OF_MAINS)
    excess = read["alkalinity"].value - read["hardness"].value
    yes_or_no, softened = _possible(0.0, 1.0), _certain(float(case.supply_kind == "softened"))
    return {
        **read,
        "litres": _possible(0.0, _MOST_LITRES) if math.isnan(case.litres) else _certain(case.litres),
        "drain": yes_or_no if case.drain is None else _certain(float(case.drain)),
        "softened": yes_or_no if not case.supply_kind and excess > EXCESS else softened,
    }


def _certain(value: float) -> Reach:
    return Reach(value, value, value)


def _possible(low: float, high: float) -> Reach:
    """Reach of what was not measured."""
    return Reach(min(low, high), math.nan, high) if math.isfinite(high) else UNKNOWN


def _room(read: Mapping[str, Reach]) -> dict[str, float]:
    """Most sodium and chloride [mg/L] that the conductivity leaves room for; infinite without one."""
    most = read["conductivity"].high / _LEAST_US_PER_MEQ
    low = {name: 0.0 if math.isnan(own.low) else own.low for name, own in read.items()}
    anions = sum(low[name] * abs(CHARGE[name]) / MOLAR_MASS[name] for name in ("sulfate", "nitrate"))
    room = {
        "sodium": most - low["hardness"] / MG_CACO3_PER_MEQ,
        "chloride": most - low["alkalinity"] / MG_CACO3_PER_MEQ - anions,
    }
    return {name: math.inf if math.isnan(meq) else max(meq * MOLAR_MASS[name], 0.0) for name, meq in room.items()}


def _least(name: str, read: Mapping[str, Reach]) -> float:
    """Sodium must at least carry the alkalinity that hardness does not [mg/L]; chloride may be nothing."""
    excess = read["alkalinity"].low - read["hardness"].high
    return max(excess, 0.0) * SODIUM_PER_CACO3 if name == "sodium" and not math.isnan(excess) else 0.0


def derived(frame: pd.DataFrame, case: Case, target: float) -> pd.DataFrame:
    """Add what the table's conditions compare besides readings.

    Parameters
    ----------
    frame : (n, ...) quantities as `reaches` names them.
    case : machine, profile, supply.
    target : alkalinity a decarboniser would be set to.

    Returns
    -------
    A new frame with ``hardness_per_alkalinity alkalinity_excess sodium_per_excess hardness_left zone_hardness
    steam_scale``, the profile's bands, ``copper_parts`` and ``untested_well``.
    """
    hardness, alkalinity = floats(frame["hardness"]), floats(frame["alkalinity"])
    excess = alkalinity - hardness
    share = calcium_share(case)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(alkalinity > 0.0, hardness / alkalinity, np.inf)
        needed = _LEAST_SHARE * SODIUM_PER_CACO3 * excess
        sodium = np.where(excess > 0.0, floats(frame["sodium"]) / needed, np.nan)
    taken = np.maximum(alkalinity - target, 0.0)
    heat = np.full(hardness.size, min(case.hottest_c, MOST_C))
    lime = planning_rule(hardness, alkalinity, heat)  # all hardness as calcium: the safe side
    band, buffer = _bands(case).values()
    return frame.assign(
        hardness_per_alkalinity=ratio,
        alkalinity_excess=excess,
        sodium_per_excess=sodium,
        hardness_left=(hardness - taken) * share,
        zone_hardness=hardness * share,
        # Judged in whole mg/L: the rule has no more digits.
        steam_scale=np.round(lime) if case.hot else 0.0,
        hardness_low=_end(band, "low"),
        hardness_high=_end(band, "high"),
        alkalinity_low=_end(buffer, "low"),
        alkalinity_high=_end(buffer, "high"),
        copper_parts=float({"copper", "brass"} & set(case.machine.metals) != set()),
        untested_well=float(case.supply_kind == "well" and not case.tested),
    )


def hardness_band(case: Case) -> Band | None:
    """Band of the profile for hardness, total or calcium."""
    return case.profile.band("total_hardness", "calcium_hardness")


def calcium_share(case: Case) -> float:
    """Share of the hardness the profile's band counts: calcium's where it asks for that and it is known, else all."""
    band = hardness_band(case)
    if band is None or band.quantity == "total_hardness":
        return 1.0
    known = case.known
    calcium, hardness = known["calcium_mg_l"].value * CACO3_PER_CALCIUM, known[HARDNESS].value
    calcium = known[CALCIUM_HARDNESS].value if math.isnan(calcium) else calcium
    share = calcium / hardness if hardness > 0.0 else 1.0
    return 1.0 if math.isnan(share) else min(share, 1.0)


def _end(band: Band | None, name: str) -> float:
    """End of a band; a profile without one limits nothing."""
    if band is None:
        return -math.inf if name == "low" else math.inf
    return band.low if name == "low" else band.high
