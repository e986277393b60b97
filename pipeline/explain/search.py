"""Weigh every candidate of the catalogue against every record: arrays of (candidate, sample) pairs."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.explain import ranges
from pipeline.explain.check_evidence import HELD_BEYOND, INNOCENT, TRIPPED
from pipeline.explain.mistakes.catalogue import catalogue, every
from pipeline.explain.mistakes.water import soda_like, softened_like
from pipeline.explain.other_bottle import bound
from pipeline.explain.priors import SOFTENER_MOVED, STATED_SOFTENER, UNNAMED, priors
from pipeline.explain.record import ROW, ROWS, UNREAD
from pipeline.explain.relations.charges import unread
from pipeline.explain.relations.density import joint_density, shortfall
from pipeline.explain.relations.evaluate import evaluate

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.explain.mistakes.candidate import Candidate, Where
    from pipeline.explain.ranges import PastReadings
    from pipeline.explain.record import Record
    from pipeline.explain.relations.relation import Relation

    Weights = dict[str, npt.NDArray[Any]]  # a column of WEIGHED_COLUMNS each

SAMPLES_AT_ONCE: Final = 512
PAIRS_AT_ONCE: Final = 16_384
_AT_ONCE: Final = 2  # such groups of samples; more would need more memory at once
WEIGHED_COLUMNS: Final = (
    "sample",
    "candidate",
    "log_posterior",
    "log_fit",
    "log_usual",
    "misfit",
    "relations",
    "value_from",
    "value_to",
)
_USUAL_RELATIVE: Final = 0.08  # standard uncertainty of a kit, the least exact method, relative [CP]
_LEAST: Final = 1e-7  # share of a sample's probability that still counts
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
_UNREAD_HOLDS: Final = 0.3  # density, against none of it, of the major that was not read at any one size [CP]
_ALL_READ: Final = 0.1  # of the prior of an ion nobody measured, where nitrate and potassium were read too [CP]
_UNREAD_ROWS: Final = frozenset(ROW[name] for name in UNREAD)


@dataclass(frozen=True)
class Pairs:
    """(m,) pairs of a candidate and a sample, with the readings as the candidate would have them.

    ``candidate`` is a place in the catalogue, ``sample`` a place in the record; ``amounts`` and ``spread`` are (r, m).
    """

    candidate: Places
    sample: Places
    amounts: Floats
    spread: Floats

    def take(self, rows: Places | slice) -> Pairs:
        """Keep some of the pairs."""
        return Pairs(self.candidate[rows], self.sample[rows], self.amounts[:, rows], self.spread[:, rows])

    def parts(self) -> list[Pairs]:
        """Split them so that what is reckoned of each part at once takes little memory."""
        ends = np.linspace(0, self.sample.size, self.sample.size // PAIRS_AT_ONCE + 2).astype("int64").tolist()
        return [self.take(slice(begin, end)) for begin, end in pairwise(ends)]


def judged(
    record: Record,
    past: PastReadings,
    seen: dict[str, Flags],
    among: Flags | None = None,
    whole: Flags | None = None,
) -> pd.DataFrame:
    """Weigh candidates for all samples of a record.

    Parameters
    ----------
    record : the samples to explain.
    past : their history.
    seen : flags of the samples each check found something in.
    among : the candidates of the catalogue to weigh, "no mistake" among them; all where nothing is said.
    whole : samples of which every row is given, of the others those that are ``likely``; all where nothing is said.

    Returns
    -------
    (p, …) frame of WEIGHED_COLUMNS, log posteriors unnormalised; candidates that cannot
    apply to a sample have no row.

    Notes
    -----
    ln posterior = ln prior + ln N(gaps; 0, C) + ln p(readings are usual): Bayes' rule over single mistakes. A factor
    f on a reading costs nothing in itself, because the densities are those of logarithms.
    """
    order = _alike(record)
    wanted = np.ones(len(catalogue()), dtype="bool") if among is None else among

    def weighed(at: Places) -> Weights:
        few, saw = record.take(at), {name: flags[at] for name, flags in seen.items()}
        found = _weighed(few, _pairs(few, saw, wanted), past, at, saw)
        if whole is None:
            return found
        kept = _is_likely(found) | whole[found["sample"]]
        return {name: values[kept] for name, values in found.items()}

    if not len(record):
        return pd.DataFrame(columns=list(WEIGHED_COLUMNS))
    groups = np.array_split(order, max(round(len(record) / SAMPLES_AT_ONCE), 1))
    if len(groups) == 1:
        return pd.DataFrame(weighed(order), copy=False)
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        parts = list(pool.map(weighed, groups))
    # Column by column, and each part let go at once: the weights of all samples take much memory.
    columns = {name: np.concatenate([part.pop(name) for part in parts]) for name in WEIGHED_COLUMNS}
    return pd.DataFrame(columns, copy=False)


def _agreement(record: Record, pairs: Pairs, past: PastReadings, at: Places) -> tuple[Floats, Floats, Floats, Floats]:
    """Give ln fit, how usual the readings are, the misfit and the number of relations of every pair."""
    found = evaluate(pairs.amounts, record.laboratory_tds[pairs.sample], record.reckoned[:, pairs.sample])
    fit, misfit, count = joint_density(found, pairs.spread)
    usual = _usual(record, pairs, past, at)
    if past.other is not None and (past.other.kind >= 0).any():
        usual = usual + bound(pairs.amounts, pairs.spread, past.other.take(at[pairs.sample]))[0]
    return fit, usual, misfit, count


def _weighed(record: Record, pairs: Pairs, past: PastReadings, at: Places, seen: dict[str, Flags]) -> Weights:
    parts = [_agreement(record, part, past, at) for part in pairs.parts()]
    fit, usual, misfit, count = (np.concatenate(numbers) for numbers in zip(*parts, strict=True))
    rows = every("row")[pairs.candidate]
    touched = (rows >= 0) & (every("change") != None)[pairs.candidate]  # noqa: E711 -- element by element
    before, after = record.amounts[rows, pairs.sample], pairs.amounts[rows, np.arange(rows.size)]
    half = record.half[rows, pairs.sample]
    return {
        "sample": at[pairs.sample],
        "candidate": pairs.candidate,
        "log_posterior": _log_prior(record, pairs, seen) + fit + usual,
        "log_fit": fit,
        "log_usual": usual,
        "misfit": misfit,
        "relations": count,
        "value_from": np.where(touched, before + half, np.nan),
        "value_to": np.where(touched, after + half_after(half, before, after, pairs.candidate), np.nan),
    }


def half_after(half: Floats, before: Floats, after: Floats, candidate: Places) -> Floats:
    """Give back to a changed count its half drop, as large as the change has made it; a miscount leaves the drop."""
    added = (every("mistake") == "miscount")[candidate]
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(before > 0, after / before, 1.0)
    return np.asarray(half * np.where(added, 1.0, scale))


def likely(weighed: pd.DataFrame) -> pd.DataFrame:
    """Leave out what has next to no share of its sample's probability; "no mistake" never is."""
    flags = _is_likely(weighed)
    return weighed if flags.all() else weighed[flags].reset_index(drop=True)


def _is_likely(weighed: Weights | pd.DataFrame) -> Flags:
    sample, candidate, log = (np.asarray(weighed[name]) for name in ("sample", "candidate", "log_posterior"))
    top = np.full(sample.max(initial=-1) + 1, -np.inf)
    np.maximum.at(top, sample, log)
    return np.asarray((log > top[sample] + np.log(_LEAST)) | (candidate == 0))


def _alike(record: Record) -> Places:
    """Order the samples so that those with the same readings stand together: what is not read costs nothing then."""
    read = ~np.isnan(record.amounts)
    weights = 1 << np.arange(len(read), dtype="int64")
    return np.asarray(np.argsort(weights @ read, kind="stable"), dtype="int64")


def _pairs(record: Record, seen: dict[str, Flags], wanted: Flags) -> Pairs:
    """Lay out every wanted candidate that can apply, side by side."""
    known = priors()
    candidates, samples, changes = [], [], []
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
                candidates.append(np.full(who.size, place))
                samples.append(who)
                changes.append({row: values[who] for row, values in changed.items()})
    candidate, sample = np.concatenate(candidates), np.concatenate(samples)
    values, spread = record.amounts.take(sample, axis=1), record.spread.take(sample, axis=1)
    start = 0
    for places_, changed in zip(candidates, changes, strict=True):
        block = slice(start, start + places_.size)
        _apply(catalogue()[places_[0]], changed, values[:, block], spread[:, block])
        start += places_.size
    return Pairs(candidate, sample, values, spread)


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


def _apply(one: Candidate, changed: dict[int, Floats], values: Floats, spread: Floats) -> None:
    """Write a candidate's changes into its block of the pairs; the blocks are new arrays."""
    for row, new in changed.items():
        if row not in _ABSOLUTE:
            spread[row] = _scaled(values[row], new, spread[row])
        values[row] = new
    for row, width in one.loosened:
        spread[row] = np.hypot(spread[row], width if row in _ABSOLUTE else width * values[row])


def _scaled(old: Floats, new: Floats, spread: Floats) -> Floats:
    """Carry an uncertainty over to the changed value: its relative size, but not the worth of a lost last digit."""
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.where(old > 0, spread * new / old, spread)
    return np.where(new > old, np.minimum(scaled, np.maximum(spread, _USUAL_RELATIVE * new)), scaled)


def _usual(record: Record, pairs: Pairs, past: PastReadings, at: Places) -> Floats:
    """Judge how usual the readings are: for the water the candidate names, else for any water they may be."""
    unnamed = (every("water") == "")[pairs.candidate]
    states = pairs.candidate == 0
    low, above = softened_like(pairs.amounts), soda_like(pairs.amounts)
    stated = record.softened[pairs.sample] & low
    own = _density(record, pairs, past, at)
    for name, fits, prior in (("softened", low, _state_prior("softened")), ("soda", above, _state_prior("soda"))):
        rows = np.flatnonzero(fits & unnamed & (~states | (stated & (name == "softened"))))
        if rows.size:
            chance = np.where(record.softened[pairs.sample[rows]] & (name == "softened"), STATED_SOFTENER, prior)
            other = _density(record, pairs.take(rows), past, at, name)
            own[rows] = np.logaddexp(own[rows] + np.log1p(-chance), other + np.log(chance))
    moved = np.flatnonzero((every("water") == "moved")[pairs.candidate])
    if moved.size:
        part = pairs.take(moved)
        own[moved] = np.logaddexp(own[moved], _elsewhere(record, part, past.none(), at)) - np.log(2.0)
    return own


def _elsewhere(record: Record, pairs: Pairs, past: PastReadings, at: Places) -> Floats:
    """Judge waters by nature alone: another source may be any water, a soda one or behind a softener as well."""
    soda = _state_prior("soda")
    kinds = {"": 1.0 - SOFTENER_MOVED - soda, "softened": SOFTENER_MOVED, "soda": soda}
    logs = [_density(record, pairs, past, at, name) + np.log(share) for name, share in kinds.items()]
    return np.asarray(np.logaddexp.reduce(logs), dtype="float64")


def _density(record: Record, pairs: Pairs, past: PastReadings, at: Places, kind: str | None = None) -> Floats:
    """Judge waters as of one kind; if none is given, as of the kind each candidate names."""
    named = every("water") if kind is None else np.full(len(catalogue()), kind)
    softened, soda, moved = ((named == one)[pairs.candidate] for one in ("softened", "soda", "moved"))
    water = ranges.WaterKinds(treated=record.treated[pairs.sample], softened=softened, soda=soda, moved=moved)
    return ranges.density(pairs.amounts, pairs.spread, past, at[pairs.sample], water)


@cache
def _state_prior(water: str) -> float:
    """Share of waters of a kind, among records without a mistake."""
    return float(np.exp(priors().log_prior[every("water") == water][0] - priors().log_prior[0]))


def _log_prior(record: Record, pairs: Pairs, seen: dict[str, Flags]) -> Floats:
    """Prior of every pair; a check that saw the mistake raises it, a stated softener settles it."""
    known = priors()
    prior = known.log_prior[pairs.candidate]
    unnamed = np.flatnonzero((every("mistake") == UNNAMED)[pairs.candidate])
    first = slice(0, ROW[UNREAD[0]])
    read = np.log(np.maximum(record.exact[first].sum(axis=0), 1))
    prior[unnamed] -= read[pairs.sample[unnamed]]
    for place in np.flatnonzero(known.seen):
        rows = np.flatnonzero(pairs.candidate == place)
        flags = [seen[name] for name in known.seen_by[place] if name in seen]
        saw = np.logical_or.reduce(flags) if flags else np.full(len(record), not known.seen_by[place])
        prior[rows] += np.where(saw[pairs.sample[rows]], known.seen[place], 0.0)
    if HELD_BEYOND in seen:
        rows = np.flatnonzero(np.isin(every("mistake"), INNOCENT)[pairs.candidate])
        prior[rows] -= np.where(seen[HELD_BEYOND][pairs.sample[rows]], TRIPPED, 0.0)
    prior += _other_units(record, pairs)
    prior += _of_unread_ions(record, pairs, known.log_prior)
    stated = np.flatnonzero((every("water") == "softened")[pairs.candidate])
    prior[stated] = np.where(record.softened[pairs.sample[stated]], np.log(STATED_SOFTENER), prior[stated])
    return prior


def _of_unread_ions(record: Record, pairs: Pairs, prior: Floats) -> Floats:
    """Share the prior of no mistake between "the one major that was not read holds nothing" and "it holds the rest".

    A full analysis has hardly an ion left that could hold anything: less than a tenth where all seven were read.
    """
    more = np.zeros(pairs.candidate.size)
    single = unread(record.amounts) != ""
    empty = -0.5 * shortfall(record.amounts, record.spread) ** 2
    share = empty - np.logaddexp(empty, np.log(_UNREAD_HOLDS))
    nothing = np.flatnonzero(pairs.candidate == 0)
    more[nothing] = np.where(single, share, 0.0)[pairs.sample[nothing]]
    missing = np.flatnonzero((every("mistake") == "missing-ion")[pairs.candidate])
    sample, candidate = pairs.sample[missing], pairs.candidate[missing]
    held = np.log(-np.expm1(np.minimum(share, -1e-9)))[sample] + prior[0] - prior[candidate]
    minor = ~np.isnan(record.amounts[ROW["potassium"]] + record.amounts[ROW["nitrate"]])[sample]
    more[missing] = np.where(single[sample], held, np.where(minor, np.log(_ALL_READ), 0.0))
    return more


def _other_units(record: Record, pairs: Pairs) -> Floats:
    """Share the prior of a wrong unit of a meter or a kit among the few others it can show: its own is none of them."""
    unit, weight, row = every("mistake") == "wrong-unit", every("weight"), every("row")
    units = np.bincount(row[unit], weights=weight[unit], minlength=len(ROWS))
    few = ~np.isnan(record.step)
    few[ROW["conductivity"]] = record.unit_known[ROW["conductivity"]]
    chosen = np.flatnonzero(unit[pairs.candidate])
    chosen = chosen[few[row[pairs.candidate[chosen]], pairs.sample[chosen]]]
    candidate = pairs.candidate[chosen]
    cell = row[candidate] * len(record) + pairs.sample[chosen]
    possible = np.bincount(cell, weights=weight[candidate], minlength=few.size)[cell]
    more = np.zeros(pairs.candidate.size)
    more[chosen] = np.log(units[row[candidate]] / possible)
    return more


def gaps(record: Record, sample: Places, candidate: Places) -> tuple[Pairs, dict[str, Relation]]:
    """Evaluate the relations for chosen pairs again, to tell what each candidate does to them.

    Parameters
    ----------
    record : all samples.
    sample, candidate : (k,) the pairs.

    Returns
    -------
    the pairs and their relations, in the order given.
    """
    values, spread = record.amounts[:, sample], record.spread[:, sample]
    for place in np.unique(candidate):
        rows = np.flatnonzero(candidate == place)
        one, part = catalogue()[place], record.take(sample[rows])
        new_values, new_spread = values[:, rows], spread[:, rows]
        _apply(one, {} if one.change is None else one.change(part), new_values, new_spread)
        values[:, rows], spread[:, rows] = new_values, new_spread
    pairs = Pairs(candidate, sample, values, spread)
    return pairs, evaluate(values, record.laboratory_tds[sample], record.reckoned[:, sample])
