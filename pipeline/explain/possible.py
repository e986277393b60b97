"""Which candidates can apply to which samples, and the readings as each would have them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.mistakes.catalogue import catalogue
from pipeline.explain.priors import priors
from pipeline.explain.readings import PairReadings, Unchanged
from pipeline.explain.record import ROW, ROWS, UNREAD

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.explain.mistakes.candidate import Candidate, Where
    from pipeline.explain.record import Record

PAIRS_AT_ONCE: Final = 16_384
_USUAL_RELATIVE: Final = 0.08  # standard uncertainty of a kit, the least exact method, relative [CP]
# Far beyond any drinking water: a candidate that makes more of a reading is not weighed [CP].
_MOST_OF: Final = {
    **dict.fromkeys(("conductivity", "second conductivity"), 50_000.0),
    **dict.fromkeys(("total_hardness", "alkalinity", "bicarbonate", "second total_hardness", "second alkalinity"), 2e4),
    **dict.fromkeys(("calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate"), 12_000.0),
    **dict.fromkeys(("nitrate", "silica"), 2_000.0),
    "ph": 14.0,
}
_ABSOLUTE: Final = frozenset({ROW["ph"], ROW["temperature"]})
_MOST: Final = np.array([_MOST_OF.get(name, np.inf) for name in ROWS])
_UNREAD_ROWS: Final = frozenset(ROW[name] for name in UNREAD)


@dataclass(frozen=True)
class Possible:
    """A candidate, by its ``place`` in the catalogue, the samples it can apply to, and what it makes of their rows."""

    place: int
    samples: Places
    changed: dict[int, Floats]

    @property
    def rows(self) -> frozenset[int]:
        """The rows of which it says something else than was received."""
        return frozenset((*self.changed, *(row for row, _ in catalogue()[self.place].loosened)))


@dataclass(frozen=True)
class Pairs:
    """(m,) pairs of a candidate and a sample, with the readings as the candidate would have them.

    Attributes
    ----------
    candidate, sample : places in the catalogue and in the record.
    amounts, spread : (r, m) readings and their standard uncertainties.
    same_water : no candidate says what the water is: what depends on no changed row is that of the sample.
    """

    candidate: Places
    sample: Places
    amounts: PairReadings
    spread: PairReadings
    same_water: bool

    @property
    def unchanged(self) -> Unchanged | None:
        """Give what the pairs have in common with their samples, where that is anything."""
        return Unchanged(self.sample, frozenset(self.amounts.changed)) if self.same_water else None

    def take(self, pairs: Places) -> Pairs:
        """Keep some of the pairs."""
        amounts, spread = self.amounts.take(pairs), self.spread.take(pairs)
        return Pairs(self.candidate[pairs], self.sample[pairs], amounts, spread, self.same_water)


def possible(record: Record, seen: dict[str, Flags], wanted: Flags) -> list[Possible]:
    """Give every wanted candidate that can apply, in the order of the catalogue."""
    known = priors()
    found = []
    read: Flags = np.asarray(record.exact.any(axis=1))
    read[list(_UNREAD_ROWS)] = True
    where = {one.where: one.where(record) for one in catalogue() if one.where}
    with np.errstate(invalid="ignore"):
        for place in np.flatnonzero(wanted).tolist():
            one = catalogue()[place]
            if one.change is not None and not read[one.row]:
                continue
            fits, changed = _applies(one, record, where, seen, known.seen_by[place])
            who = np.flatnonzero(fits)
            if who.size:
                found.append(Possible(place, who, {row: values[who] for row, values in changed.items()}))
    return found


def _applies(
    one: Candidate, record: Record, where: dict[Where, Flags], seen: dict[str, Flags], by: tuple[str, ...]
) -> tuple[Flags, dict[int, Floats]]:
    """Tell to which samples a candidate can apply, and what it changes there."""
    fits = np.ones(len(record), dtype="bool") if one.where is None else where[one.where]
    if one.seen and by:
        fits = fits & np.logical_or.reduce([seen.get(name, np.zeros(len(record), dtype="bool")) for name in by])
    changed = {} if one.change is None else one.change(record)
    for row, values in changed.items():
        fits = fits & (values >= 0.0) & (values <= _MOST[row]) & (record.exact[row] | (row in _UNREAD_ROWS))
    for row, _ in one.loosened:
        if one.mistake != "several-mistakes" and row not in _UNREAD_ROWS:
            fits = fits & record.exact[row]
    return fits, changed


def blocks(record: Record, found: list[Possible]) -> Iterator[tuple[Pairs, Places]]:
    """Lay the pairs out, those together that change the same reading.

    Returns
    -------
    pairs, and the places of each in the order of ``found``; so many at once that they stay near the processor.
    """
    ends = np.cumsum([one.samples.size for one in found])
    groups: dict[frozenset[int] | None, list[int]] = {}
    for number, one in enumerate(found):
        groups.setdefault(_alike(one), []).append(number)
    for numbers in groups.values():
        few: list[int] = []
        for number in numbers:
            few.append(number)
            if number == numbers[-1] or sum(found[k].samples.size for k in few) >= PAIRS_AT_ONCE:
                places = [np.arange(ends[k] - found[k].samples.size, ends[k]) for k in few]
                yield _laid(record, [found[k] for k in few]), np.concatenate(places)
                few = []


def _alike(one: Possible) -> frozenset[int] | None:
    """Give what the candidates of a block have in common: the one row they change, several rows, or none."""
    if catalogue()[one.place].change is None:
        return None
    return one.rows if len(one.rows) == 1 else frozenset()


def _laid(record: Record, found: list[Possible]) -> Pairs:
    sample = np.concatenate([one.samples for one in found])
    rows = frozenset().union(*(one.rows for one in found))
    amounts, spread = ({row: own[row].take(sample) for row in rows} for own in (record.amounts, record.spread))
    start = 0
    for one in found:
        block = slice(start, start + one.samples.size)
        start = block.stop
        of_block = ({row: values[block] for row, values in whole.items()} for whole in (amounts, spread))
        write_change(catalogue()[one.place], one.changed, *of_block)
    return Pairs(
        candidate=np.repeat([one.place for one in found], [one.samples.size for one in found]),
        sample=sample,
        amounts=PairReadings(record.amounts, sample, amounts),
        spread=PairReadings(record.spread, sample, spread),
        same_water=all(catalogue()[one.place].change is not None for one in found),
    )


def write_change(
    one: Candidate, changed: Mapping[int, Floats], values: Mapping[int, Floats], spread: Mapping[int, Floats]
) -> None:
    """Write a candidate's changes into the rows of its pairs, which are new arrays."""
    for row, new in changed.items():
        if row not in _ABSOLUTE:
            spread[row][:] = _scaled(values[row], new, spread[row])
        values[row][:] = new
    for row, width in one.loosened:
        spread[row][:] = np.hypot(spread[row], width if row in _ABSOLUTE else width * values[row])


def _scaled(old: Floats, new: Floats, spread: Floats) -> Floats:
    """Carry an uncertainty over to the changed value: its relative size, but not the worth of a lost last digit."""
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.where(old > 0, spread * new / old, spread)
    return np.where(new > old, np.minimum(scaled, np.maximum(spread, _USUAL_RELATIVE * new)), scaled)
