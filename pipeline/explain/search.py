"""Weigh every candidate of the catalogue against every record: arrays of (candidate, sample) pairs."""

from __future__ import annotations

from functools import cache, cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.explain.check_evidence import HELD_BEYOND, INNOCENT, TRIPPED
from pipeline.explain.mistakes.catalogue import catalogue, every
from pipeline.explain.mistakes.water import soda_like, softened_like
from pipeline.explain.other_bottle import bound
from pipeline.explain.possible import blocks, possible, write_change
from pipeline.explain.priors import SOFTENER_MOVED, STATED_SOFTENER, UNNAMED, priors
from pipeline.explain.record import ROW, ROWS, UNREAD
from pipeline.explain.relations.charges import unread
from pipeline.explain.relations.density import joint_density, shortfall
from pipeline.explain.relations.evaluate import Evaluated, evaluate, received_relations, touched
from pipeline.explain.usual import Amounts, Terms, WaterKinds, usual_terms

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.explain.possible import Pairs
    from pipeline.explain.ranges import PastReadings
    from pipeline.explain.record import Record
    from pipeline.explain.relations.relation import Relation

    Weights = dict[str, npt.NDArray[Any]]  # a column of WEIGHED_COLUMNS each

_PAIRS_AT_ONCE: Final = 2**19  # candidates times samples, of which a third can apply
_SAMPLES_AT_ONCE: Final = 2048
WEIGHED_COLUMNS: Final = (
    "sample",
    "candidate",
    "log_posterior",
    "log_fit",
    "log_usual",
    "misfit",
    "relations",
)
_LEAST: Final = 1e-7  # share of a sample's probability that still counts
_UNREAD_HOLDS: Final = 0.3  # density, against none of it, of the major that was not read at any one size [CP]
_ALL_READ: Final = 0.1  # of the prior of an ion nobody measured, where nitrate and potassium were read too [CP]


class Received:
    """What is known of the samples of a record as they were received, worked out when it is first asked for."""

    def __init__(self, record: Record, past: PastReadings) -> None:
        """Take (n,) samples and their past."""
        self.record, self.past = record, past
        self.terms = cache(self._terms)

    @cached_property
    def relations(self) -> Evaluated:
        """Give the relations."""
        return received_relations(self.record.amounts, self.record.laboratory_tds, self.record.reckoned)

    @cached_property
    def fit(self) -> tuple[Floats, Floats, Floats]:
        """Give ln fit, the misfit and the number of relations."""
        return joint_density(self.relations.relations, self.record.spread)

    def _terms(self, kind: str) -> Terms:
        everyone = np.arange(len(self.record))
        softened, soda = (np.full(len(self.record), kind == one) for one in ("softened", "soda"))
        water = WaterKinds(self.record.treated, softened, soda, np.zeros(len(self.record), dtype="bool"))
        return usual_terms(Amounts(self.record.amounts, self.record.spread), self.past, everyone, water)


def judged(
    record: Record, past: PastReadings, seen: dict[str, Flags], among: Flags | None = None, *, likely: bool = False
) -> pd.DataFrame:
    """Weigh candidates for all samples of a record.

    Parameters
    ----------
    record : the samples to explain.
    past : their history.
    seen : flags of the samples each check found something in.
    among : the candidates of the catalogue to weigh, "no mistake" among them; all where nothing is said.
    likely : only what is likely is given.

    Returns
    -------
    (p, …) frame of WEIGHED_COLUMNS, log posteriors unnormalised; candidates that cannot
    apply to a sample have no row.

    Notes
    -----
    ln posterior = ln prior + ln N(gaps; 0, C) + ln p(readings are usual): Bayes' rule over single mistakes. A factor
    f on a reading costs nothing in itself, because the densities are those of logarithms.
    """
    if not len(record):
        return pd.DataFrame(columns=list(WEIGHED_COLUMNS))
    wanted = np.ones(len(catalogue()), dtype="bool") if among is None else among
    at_once = min(_PAIRS_AT_ONCE // max(int(wanted.sum()), 1), _SAMPLES_AT_ONCE)
    parts = []
    for at in alike_groups(record.amounts, at_once):
        of_part = {name: flags[at] for name, flags in seen.items()}
        part = _weighed(record.take(at), past.take(at), of_part, wanted)
        part = {name: values[is_likely(part)] for name, values in part.items()} if likely else part
        parts.append({**part, "sample": at[part["sample"]]})
    return pd.DataFrame({name: np.concatenate([part[name] for part in parts]) for name in WEIGHED_COLUMNS}, copy=False)


def alike_groups(amounts: Floats, at_once: int) -> list[Places]:
    """Part (r, n) samples into groups of about the same size, those together of which the same was read.

    What was not read costs nothing then.
    """
    read = ~np.isnan(amounts)
    weights = 1 << np.arange(len(read), dtype="int64")
    order = np.argsort(weights @ read, kind="stable")
    return np.array_split(order, max(round(order.size / at_once), 1)) if order.size else []


def _weighed(record: Record, past: PastReadings, seen: dict[str, Flags], wanted: Flags) -> Weights:
    """Weigh candidates for some samples; `sample` is the place among them."""
    found = possible(record, seen, wanted)
    received = Received(record, past)
    candidate = np.repeat([one.place for one in found], [one.samples.size for one in found])
    sample = np.concatenate([one.samples for one in found])
    fit, usual, misfit, count = weights = np.empty((4, sample.size))
    for pairs, places in blocks(record, found):
        for whole, part in zip(weights, agreement(received, pairs), strict=True):
            whole[places] = part
    return {
        "sample": sample,
        "candidate": candidate,
        "log_posterior": _log_prior(record, candidate, sample, seen) + fit + usual,
        "log_fit": fit,
        "log_usual": usual,
        "misfit": misfit,
        "relations": count,
    }


def agreement(received: Received, pairs: Pairs) -> tuple[Floats, Floats, Floats, Floats]:
    """Give ln fit, how usual the readings are, the misfit and the number of relations of every pair."""
    past = received.past
    fit, misfit, count = _fit(received, pairs)
    usual = _usual(received, pairs)
    if past.other is not None and (past.other.kind >= 0).any():
        usual = usual + bound(pairs.amounts, pairs.spread, past.other.take(pairs.sample))[0]
    return fit, usual, misfit, count


def _fit(received: Received, pairs: Pairs) -> tuple[Floats, ...]:
    """Judge the relations; those that no changed reading moves are as in the sample."""
    record, known, moved = received.record, None, frozenset[str]()
    if pairs.unchanged is not None:
        moved = touched(pairs.unchanged.rows, record.amounts)
        if not moved:
            return tuple(numbers.take(pairs.sample) for numbers in received.fit)
        known = received.relations, pairs.sample
    reckoned = record.reckoned[:, pairs.sample]
    found = evaluate(pairs.amounts, record.laboratory_tds[pairs.sample], reckoned, known, moved)
    return joint_density(found, pairs.spread)


def values_meant(record: Record, sample: Places, candidate: Places) -> tuple[Floats, Floats]:
    """Give what was received and what it would be without the mistake; missing where nothing changes."""
    rows = every("row")[candidate]
    before, half = record.amounts[rows, sample], record.half[rows, sample]
    after = before.copy()
    changes = (rows >= 0) & (every("change") != None)[candidate]  # noqa: E711 -- element by element
    for place in np.unique(candidate[changes]):
        pairs, one = np.flatnonzero(candidate == place), catalogue()[place]
        if one.change is not None:
            after[pairs] = one.change(record.take(sample[pairs])).get(one.row, after[pairs])
    meant = after + half_after(half, before, after, candidate)
    return np.where(changes, before + half, np.nan), np.where(changes, meant, np.nan)


def half_after(half: Floats, before: Floats, after: Floats, candidate: Places) -> Floats:
    """Give back to a changed count its half drop, as large as the change has made it; a miscount leaves the drop."""
    added = (every("mistake") == "miscount")[candidate]
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(before > 0, after / before, 1.0)
    return np.asarray(half * np.where(added, 1.0, scale))


def is_likely(weighed: Weights | pd.DataFrame) -> Flags:
    """Leave out what has next to no share of its sample's probability; "no mistake" never is."""
    sample, candidate, log = (np.asarray(weighed[name]) for name in ("sample", "candidate", "log_posterior"))
    top = np.full(sample.max(initial=-1) + 1, -np.inf)
    np.maximum.at(top, sample, log)
    return np.asarray((log > top[sample] + np.log(_LEAST)) | (candidate == 0))


def _usual(received: Received, pairs: Pairs) -> Floats:
    """Judge how usual the readings are: for the water the candidate names, else for any water they may be."""
    record = received.record
    unnamed = (every("water") == "")[pairs.candidate]
    states = pairs.candidate == 0
    low, above = softened_like(pairs.amounts), soda_like(pairs.amounts)
    stated = record.softened[pairs.sample] & low
    own = _density(received, pairs)
    for name, fits, prior in (("softened", low, _state_prior("softened")), ("soda", above, _state_prior("soda"))):
        rows = np.flatnonzero(fits & unnamed & (~states | (stated & (name == "softened"))))
        if rows.size:
            chance = np.where(record.softened[pairs.sample[rows]] & (name == "softened"), STATED_SOFTENER, prior)
            other = _density(received, pairs.take(rows), name)
            own[rows] = np.logaddexp(own[rows] + np.log1p(-chance), other + np.log(chance))
    moved = np.flatnonzero((every("water") == "moved")[pairs.candidate])
    if moved.size:
        own[moved] = np.logaddexp(own[moved], _elsewhere(received, pairs.take(moved))) - np.log(2.0)
    return own


def _elsewhere(received: Received, pairs: Pairs) -> Floats:
    """Judge waters by nature alone: another source may be any water, a soda one or behind a softener as well."""
    soda = _state_prior("soda")
    kinds = {"": 1.0 - SOFTENER_MOVED - soda, "softened": SOFTENER_MOVED, "soda": soda}
    none = Received(received.record, received.past.none())
    logs = [_density(none, pairs, name) + np.log(share) for name, share in kinds.items()]
    return np.asarray(np.logaddexp.reduce(logs), dtype="float64")


def _density(received: Received, pairs: Pairs, kind: str | None = None) -> Floats:
    """Judge waters as of one kind; if none is given, as of the kind each candidate names."""
    named = every("water") if kind is None else np.full(len(catalogue()), kind)
    softened, soda, moved = ((named == one)[pairs.candidate] for one in ("softened", "soda", "moved"))
    water = WaterKinds(received.record.treated[pairs.sample], softened, soda, moved)
    at, unchanged = pairs.sample, pairs.unchanged
    known = None if unchanged is None else (received.terms(kind or ""), unchanged)
    return usual_terms(Amounts(pairs.amounts, pairs.spread), received.past, at, water, known).sum(at.size)


@cache
def _state_prior(water: str) -> float:
    """Share of waters of a kind, among records without a mistake."""
    return float(np.exp(priors().log_prior[every("water") == water][0] - priors().log_prior[0]))


def _log_prior(record: Record, candidate: Places, sample: Places, seen: dict[str, Flags]) -> Floats:
    """Prior of every pair; a check that saw the mistake raises it, a stated softener settles it."""
    known = priors()
    prior = known.log_prior[candidate]
    unnamed = np.flatnonzero((every("mistake") == UNNAMED)[candidate])
    first = slice(0, ROW[UNREAD[0]])
    read = np.log(np.maximum(record.exact[first].sum(axis=0), 1))
    prior[unnamed] -= read[sample[unnamed]]
    for place in np.flatnonzero(known.seen):
        rows = np.flatnonzero(candidate == place)
        flags = [seen[name] for name in known.seen_by[place] if name in seen]
        saw = np.logical_or.reduce(flags) if flags else np.full(len(record), not known.seen_by[place])
        prior[rows] += np.where(saw[sample[rows]], known.seen[place], 0.0)
    if HELD_BEYOND in seen:
        rows = np.flatnonzero(np.isin(every("mistake"), INNOCENT)[candidate])
        prior[rows] -= np.where(seen[HELD_BEYOND][sample[rows]], TRIPPED, 0.0)
    prior += _other_units(record, candidate, sample)
    prior += _of_unread_ions(record, candidate, sample, known.log_prior)
    stated = np.flatnonzero((every("water") == "softened")[candidate])
    prior[stated] = np.where(record.softened[sample[stated]], np.log(STATED_SOFTENER), prior[stated])
    return prior


def _of_unread_ions(record: Record, candidate: Places, sample: Places, prior: Floats) -> Floats:
    """Share the prior of no mistake between "the one major that was not read holds nothing" and "it holds the rest".

    A full analysis has hardly an ion left that could hold anything: less than a tenth where all seven were read.
    """
    more = np.zeros(candidate.size)
    single = unread(record.amounts) != ""
    empty = -0.5 * shortfall(record.amounts, record.spread) ** 2
    share = empty - np.logaddexp(empty, np.log(_UNREAD_HOLDS))
    nothing = np.flatnonzero(candidate == 0)
    more[nothing] = np.where(single, share, 0.0)[sample[nothing]]
    missing = np.flatnonzero((every("mistake") == "missing-ion")[candidate])
    of, one = sample[missing], candidate[missing]
    held = np.log(-np.expm1(np.minimum(share, -1e-9)))[of] + prior[0] - prior[one]
    minor = ~np.isnan(record.amounts[ROW["potassium"]] + record.amounts[ROW["nitrate"]])[of]
    more[missing] = np.where(single[of], held, np.where(minor, np.log(_ALL_READ), 0.0))
    return more


def _other_units(record: Record, candidate: Places, sample: Places) -> Floats:
    """Share the prior of a wrong unit of a meter or a kit among the few others it can show: its own is none of them."""
    unit, weight, row = every("mistake") == "wrong-unit", every("weight"), every("row")
    units = np.bincount(row[unit], weights=weight[unit], minlength=len(ROWS))
    few = ~np.isnan(record.step)
    few[ROW["conductivity"]] = record.unit_known[ROW["conductivity"]]
    chosen = np.flatnonzero(unit[candidate])
    chosen = chosen[few[row[candidate[chosen]], sample[chosen]]]
    one = candidate[chosen]
    cell = row[one] * len(record) + sample[chosen]
    others = np.bincount(cell, weights=weight[one], minlength=few.size)[cell]
    more = np.zeros(candidate.size)
    more[chosen] = np.log(units[row[one]] / others)
    return more


def gaps(record: Record, sample: Places, candidate: Places) -> tuple[Floats, Floats, dict[str, Relation]]:
    """Evaluate the relations for chosen pairs again, to tell what each candidate does to them.

    Parameters
    ----------
    record : all samples.
    sample, candidate : (k,) the pairs.

    Returns
    -------
    (r, k) readings and their standard uncertainties, and the relations, in the order given.
    """
    values, spread = record.amounts[:, sample], record.spread[:, sample]
    for place in np.unique(candidate):
        rows = np.flatnonzero(candidate == place)
        one, part = catalogue()[place], record.take(sample[rows])
        changed = {} if one.change is None else one.change(part)
        touched_rows = {*changed, *(row for row, _ in one.loosened)}
        new_values, new_spread = ({row: whole[row, rows] for row in touched_rows} for whole in (values, spread))
        write_change(one, changed, new_values, new_spread)
        for row, new in new_values.items():
            values[row, rows], spread[row, rows] = new, new_spread[row]
    return values, spread, evaluate(values, record.laboratory_tds[sample], record.reckoned[:, sample])
