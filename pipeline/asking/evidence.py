"""Which units fit: every unit a column may be in is tried on the whole column against the file's other readings.

Columns that wait together are tried together: calcium, magnesium and hardness without units agree with each other in
few combinations of units. What one relation leaves is what the next one starts from.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.asking.candidates import customary
from pipeline.asking.comparisons import COMPARISONS, LARGEST_GAP
from pipeline.asking.open_units import WORTH
from pipeline.explain.record import ROW
from pipeline.reference import table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.arrays import Floats
    from pipeline.asking.candidates import UnitCandidate
    from pipeline.asking.comparisons import Comparison
    from pipeline.asking.file_readings import FileReadings
    from pipeline.asking.open_units import CellKind

_MOST: Final = 400  # combinations that are all tried; of more, those that differ from one system in one column
_AS_WELL: Final = (0.03, 4.0)  # a second unit fits too: up to this gap, or so many times that of the best [CP]
_PROOF: Final = 0.05  # relative: agreement of a proof
_PROOF_ROWS: Final = 20
_ALL_ROWS: Final = 0.9  # of the rows that must agree in a proof; the rest may have mistakes of their own
_PROVED_TOGETHER: Final = 3  # columns; of more, not every combination of units was tried
_PROVING: Final = ("balance", "conductivity", "hardness")
_LIQUID: Final = (0.0, 100.0)  # [°C] where water is liquid
_UNUSUAL: Final = 2.5  # standard deviations from the usual size, as logarithms [HEM1985]
_SYSTEMS: Final = ("mg/L", "mmol/L", "meq/L")
Units = dict["CellKind", "UnitCandidate"]


@dataclass(frozen=True)
class Agreement:
    """How one relation agrees with a unit: in ``rows`` samples, median ``gap`` (relative), and in words."""

    comparison: Comparison
    rows: int
    gap: float
    words: str


@dataclass
class Verdict:
    """What the file says of the unit of one column.

    Attributes
    ----------
    kind : the column.
    fitting : units that fit everything they were tried against, the best first.
    agreements : unit → the relations it agrees with.
    tested : relations that some of its units were tried against.
    usual : units in which the numbers have the size that waters have, the most usual first.
    proved : the one unit that the whole file's chemistry proves, "" if none.
    frozen : units in which the water of the file would be ice or steam.
    """

    kind: CellKind
    fitting: list[UnitCandidate]
    agreements: dict[str, list[Agreement]] = field(default_factory=dict)
    tested: list[str] = field(default_factory=list)
    usual: tuple[UnitCandidate, ...] = ()
    proved: str = ""
    frozen: tuple[UnitCandidate, ...] = ()

    @property
    def singled(self) -> bool:
        """Say whether sharp relations leave one unit alone."""
        sharp = self.agreements.get(self.fitting[0].text, []) if len(self.fitting) == 1 else []
        return any(one.comparison.proves for one in sharp)


def judge_units(file: FileReadings) -> list[Verdict]:
    """Try every unit of every column that waits.

    Parameters
    ----------
    file : readings sample by sample.

    Returns
    -------
    one verdict per column, in their order.

    Notes
    -----
    A unit fits a relation where the median gap over the samples is at most 10 %, and not far from that of the best. It
    is proved where charge balance, conductivity and hardness each agree within 5 % in at least 20 samples and nine
    tenths of them, and no other unit of the column fits the relations the column takes part in.
    """
    verdicts = {kind: Verdict(kind, list(units), usual=_usual(file, kind)) for kind, units in file.units.items()}
    for kind, verdict in verdicts.items():
        if kind.analyte == "temperature" and np.isfinite(file.waiting[kind]).any():
            _rule_out(file, verdict)
    for comparison in (*COMPARISONS, *COMPARISONS):
        involved = [kind for kind in verdicts if kind.analyte in comparison.quantities]
        if involved and (comparison.proves or _undecided(verdicts, involved)):
            _compare(file, comparison, involved, verdicts)
    system = _common_system(file, [one for one in verdicts.values() if one.tested]) if verdicts else ""
    for verdict in verdicts.values():
        verdict.fitting.sort(key=partial(_rank, file, verdict, system))
    _prove(file, verdicts)
    return [_in_words_of(system, verdict) for verdict in verdicts.values()]


def _undecided(verdicts: dict[CellKind, Verdict], involved: Sequence[CellKind]) -> bool:
    return any(len(verdicts[kind].fitting) > 1 for kind in involved)


def _rank(
    file: FileReadings, verdict: Verdict, system: str, unit: UnitCandidate
) -> tuple[int, bool, bool, bool, float, int]:
    """Order units: by how many relations agree, custom, the system of the table, usual size, how well they agree."""
    found = [one for one in verdict.agreements.get(unit.text, ()) if one.comparison.proves]
    worst = max((one.gap for one in found), default=0.0)
    apart = worst if worst > _AS_WELL[0] else 0.0
    return (
        -len(found),
        unit.text != customary(verdict.kind),
        unit != _of_system(file.units[verdict.kind], system),
        unit not in verdict.usual,
        apart,
        file.units[verdict.kind].index(unit),
    )


def _compare(
    file: FileReadings, comparison: Comparison, involved: Sequence[CellKind], verdicts: dict[CellKind, Verdict]
) -> None:
    """Hold the units that are left against one relation, and leave out those that cannot fit it."""
    tried = []
    for units in _combinations({kind: verdicts[kind].fitting for kind in involved}):
        values = with_waiting(file, units)
        gaps = comparison.gap(values)
        rows = int(np.isfinite(gaps).sum())
        if rows:
            tried.append((float(np.nanmedian(np.abs(gaps))), rows, units))
    fitting = _agreeing(tried, verdicts)
    if not fitting or len(fitting) == len(tried) > 1:
        return  # it agrees with none, or says nothing of them
    for kind in involved:
        verdict = verdicts[kind]
        if comparison.name not in verdict.tested:
            verdict.tested.append(comparison.name)
        best: dict[str, tuple[float, int, Units]] = {}
        for one in sorted(fitting, key=lambda found: found[0]):
            best.setdefault(one[2][kind].text, one)
        verdict.fitting = [unit for unit in verdict.fitting if unit.text in best]
        for text, (gap, rows, units) in best.items():
            known = [one for one in verdict.agreements.get(text, ()) if one.comparison is not comparison]
            words = _words(file, comparison, units)
            verdict.agreements[text] = [*known, Agreement(comparison, rows, gap, words)]


def _agreeing(
    tried: list[tuple[float, int, Units]], verdicts: dict[CellKind, Verdict]
) -> list[tuple[float, int, Units]]:
    """Keep the combinations that agree, nearly as well as the best; those of usual sizes, if there are any."""
    most = min(LARGEST_GAP, max(_AS_WELL[0], _AS_WELL[1] * min((one[0] for one in tried), default=0.0)))
    fitting = [one for one in tried if one[0] <= most]
    usual = [one for one in fitting if all(unit in verdicts[kind].usual for kind, unit in one[2].items())]
    return usual or fitting


def _words(file: FileReadings, comparison: Comparison, units: Units) -> str:
    """Word the evidence with the numbers of the sample in the middle."""
    values = with_waiting(file, units)
    gaps = np.abs(comparison.gap(values))
    order = np.argsort(np.where(np.isfinite(gaps), gaps, np.inf))
    middle = order[(int(np.isfinite(gaps).sum()) - 1) // 2]
    return comparison.words(values[:, [middle]])


def with_waiting(file: FileReadings, units: Units) -> Floats:
    """Give the readings with some of the waiting columns in these units."""
    values = file.values.copy()
    for kind, unit in units.items():
        numbers = file.waiting[kind] * unit.factor + unit.offset
        row = values[ROW[kind.analyte]]
        values[ROW[kind.analyte]] = np.where(np.isnan(numbers), row, numbers)
    return values


def _combinations(left: dict[CellKind, list[UnitCandidate]]) -> Iterator[Units]:
    """Offer all combinations, or, where they are too many, those that depart from a common system in one column."""
    kinds = list(left)
    if np.prod([len(units) for units in left.values()]) <= _MOST:
        yield from (dict(zip(kinds, chosen, strict=True)) for chosen in product(*left.values()))
        return
    offered: set[tuple[str, ...]] = set()
    for system in _SYSTEMS:
        common = {kind: _of_system(units, system) for kind, units in left.items()}
        for kind in kinds:
            for unit in left[kind]:
                units = {**common, kind: unit}
                name = tuple(one.text for one in units.values())
                if name not in offered:
                    offered.add(name)
                    yield units


def _of_system(units: Sequence[UnitCandidate], system: str) -> UnitCandidate:
    # Of an ion of one charge a millimole is a milliequivalent, and only one of the two is offered.
    names = (system, "mmol/L") if system == "meq/L" else (system,)
    return next((unit for name in names for unit in units if unit.text.startswith(name)), units[0])


def _common_system(file: FileReadings, verdicts: Sequence[Verdict]) -> str:
    """Give the system in which most columns of the table may be: people seldom mix them."""
    may_be = {
        system: sum(_of_system(file.units[one.kind], system) in one.fitting for one in verdicts) for system in _SYSTEMS
    }
    return max(_SYSTEMS, key=lambda system: may_be[system])


def _in_words_of(system: str, verdict: Verdict) -> Verdict:
    """Call a millimole of one charge a milliequivalent where the table is in these."""
    if system != "meq/L" or any(unit.text == system for unit in verdict.fitting):
        return verdict
    called = {"mmol/L": system}
    return replace(
        verdict,
        fitting=[replace(unit, text=called.get(unit.text, unit.text)) for unit in verdict.fitting],
        agreements={called.get(text, text): found for text, found in verdict.agreements.items()},
        usual=tuple(replace(unit, text=called.get(unit.text, unit.text)) for unit in verdict.usual),
        proved=called.get(verdict.proved, verdict.proved),
    )


def _usual(file: FileReadings, kind: CellKind) -> tuple[UnitCandidate, ...]:
    """List the units in which the middle of a column has a usual size, the most usual first."""
    natural = table("natural_ranges")
    rows = natural[(natural["analyte"] == kind.analyte) & natural["given"].isna()]
    numbers = file.waiting[kind]
    if rows.empty or not np.isfinite(numbers).any():
        return ()
    median, spread = float(rows["median"].iloc[0]), float(rows["spread"].iloc[0])
    far = {}
    for unit in file.units[kind]:
        middle = float(np.nanmedian(numbers)) * unit.factor + unit.offset
        plain = kind.analyte == "temperature"
        off = abs(middle - median if plain else np.log(max(middle, 1e-9) / median)) / spread
        if off <= _UNUSUAL:
            far[unit] = off
    bare = file.units[kind][:1]  # a form is written beside its unit, so that a bare one is the likelier
    custom = customary(kind)
    return tuple(sorted(far, key=lambda unit: (unit.text != custom, unit not in bare, far[unit])))


def _rule_out(file: FileReadings, verdict: Verdict) -> None:
    """Leave out units in which water could not be titrated or measured, being ice or steam."""
    coldest, hottest = _LIQUID
    numbers = file.waiting[verdict.kind]
    for unit in list(verdict.fitting):
        celsius = numbers * unit.factor + unit.offset
        if np.nanmax(celsius) < coldest or np.nanmin(celsius) > hottest:
            verdict.fitting.remove(unit)
            verdict.frozen += (unit,)
    if len(verdict.fitting) == 1:
        verdict.proved = verdict.fitting[0].text


def _prove(file: FileReadings, verdicts: dict[CellKind, Verdict]) -> None:
    """Say which units the whole file proves."""
    tested = {kind: one.fitting[0] for kind, one in verdicts.items() if one.tested}
    if len(tested) > _PROVED_TOGETHER:
        return
    values = with_waiting(file, tested)
    for comparison in COMPARISONS:
        if comparison.name in _PROVING and not _certain(comparison.gap(values)):
            return
    for verdict in verdicts.values():
        if verdict.singled and verdict.kind.waits_for != WORTH:  # counts are too coarse to prove what one is worth
            verdict.proved = verdict.fitting[0].text


def _certain(gaps: Floats) -> bool:
    known = np.abs(gaps[np.isfinite(gaps)])
    close = int((known <= _PROOF).sum())
    return close >= _PROOF_ROWS and close >= _ALL_ROWS * len(known)
