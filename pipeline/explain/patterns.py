"""One mistake in the whole of a file, of an instrument or of an operator: found once, told once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.explain import wording
from pipeline.explain.mistakes.catalogue import catalogue, every
from pipeline.explain.mistakes.meter import READ_COLD
from pipeline.explain.priors import priors
from pipeline.explain.record import ROW, SECOND
from pipeline.explain.search import judged
from pipeline.explain.temperature_trend import against_uncompensated
from pipeline.problems import fill, filled
from schemas.tables import PATTERN_COLUMNS

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.explain.ranges import PastReadings
    from pipeline.explain.record import Record
    from pipeline.explain.screen import Screened
    from pipeline.normalise.sample_table import SampleTable

SYSTEMATIC: Final = frozenset(
    {
        "wrong-unit",
        "wrong-basis",
        "factor-ten",
        "swapped-analytes",
        "volume-not-applied",
        "miscount",
        "wrong-tds-scale",
        "not-temperature-compensated",
    }
)
_STATES: Final = (
    "no-mistake",
    "softened-water",
    "soda-water",
    "missing-ion",
)  # what a sample may be if nothing is wrong with it
SCOPES: Final = {"file": "file_sha256", "instrument": "instrument", "operator": "operator"}
FEWEST: Final = 5  # rows before a source says anything [CP]
ROWS_LOOKED_AT: Final = 48  # rows of a source that are looked at: they tell as much as all
HELD_SHARE: Final = 0.2  # of the rows of an instrument or an operator must be doubtful, before it is looked at
AGREEING: Final = 0.6  # of the rows that can tell must fit better with the mistake [CP]
SOURCE_COLUMNS: Final = ("sample", "candidate", "log_fit", "log_usual")  # of what was weighed for its rows
_ROWS_AT_ONCE: Final = 2048
_TELLS: Final = 0.5  # log likelihood ratio from which a row tells anything
_OWN: Final = 0.001  # that a row has a mistake of its own, the one that fits it best [CP]
CORRELATION: Final = 0.2  # of what the models do not know between rows of one source [CP]
_BIAS: Final = 0.05  # a median ratio of two readings off by less is left alone [CP]
_BIAS_ERRORS: Final = 4.0  # standard errors
_COVERS: Final = 0.5  # likelier than all else: a pattern stands for the explanations of its rows
_EQUAL: Final = 3.0  # times likelier: less is "equally well" [JEFFREYS]
_LIKELY: Final = 0.9  # prior of the mistake in a row of a source that has it


@dataclass(frozen=True)
class Patterns:
    """``table``: PATTERN_COLUMNS. ``covered``: (n,) samples, by the candidate a pattern stands for."""

    table: pd.DataFrame
    covered: dict[int, Flags]

    def covers(self, told: pd.DataFrame) -> Flags:
        """Tell which explanations, `sample candidate`, a pattern stands for."""
        return _covers(told, self.covered)


def raised(weighed: pd.DataFrame, covered: dict[int, Flags]) -> Floats:
    """Give what the rows of a source that has a pattern deserve beside the prior of its mistake (ln).

    Parameters
    ----------
    weighed : (p,) `sample candidate`.
    covered : as `Patterns` has it, of the same samples.
    """
    more = np.zeros(len(weighed))
    rows = _covers(weighed, covered)
    more[rows] = np.log(_LIKELY) - priors().log_prior[weighed["candidate"].to_numpy()[rows]]
    return more


def _covers(rows: pd.DataFrame, covered: dict[int, Flags]) -> Flags:
    candidate, sample = rows["candidate"].to_numpy(), rows["sample"].to_numpy()
    found = [(candidate == one) & flags[sample] for one, flags in covered.items()]
    return np.asarray(np.logical_or.reduce([np.zeros(len(rows), dtype="bool"), *found]))


def source_evidence(weighed: pd.DataFrame) -> pd.DataFrame:
    """Keep what a whole source can have of what was weighed: SOURCE_COLUMNS."""
    among = _systematic_or_state()[weighed["candidate"].to_numpy(dtype="int64")]
    kept: pd.DataFrame = weighed.loc[among, list(SOURCE_COLUMNS)]
    return kept


@cache
def _systematic_or_state() -> Flags:
    return np.isin(every("mistake"), [*SYSTEMATIC, *_STATES])


def source_samples(samples: SampleTable, screen: Screened, doubted: Flags) -> Flags:
    """Flag the samples by which ``of_files`` judges whole sources; the arguments are the same."""
    flags = np.zeros(len(doubted), dtype="bool")
    for scope, column in SCOPES.items():
        flags[_rows_of(samples, screen.doubtful | doubted, scope, column)] = True
    return flags


def of_files(
    samples: SampleTable,
    screen: Screened,
    seen: dict[str, Flags],
    known: pd.DataFrame,
    doubted: Flags,
) -> Patterns:
    """Look for one mistake that most rows of a source share.

    Parameters
    ----------
    samples, screen, seen : all samples, their readings and past, and what the checks saw.
    known : SOURCE_COLUMNS of samples of ``source_samples`` that were weighed already.
    doubted : all samples that a check holds.

    Returns
    -------
    Patterns. A source is a file, an instrument or an operator with at least five rows; of the rows of an instrument or
    an operator a fifth must be doubtful, whoever's causes are asked for. What an instrument or an operator does is
    told; only what a whole file shares is told of its rows.

    Notes
    -----
    The log likelihood ratios of a mistake against none are added over the rows, with one prior for the source; one row
    in ten may be free of it, and one in a thousand has the mistake that fits it best for a reason of its own. What is
    usual is the same for all rows of a region and counts once, as the mean (for exchanged columns it counts in every
    row, because the ratio of sodium to potassium is the same everywhere). Rows of one source share what the models do
    not know, so n rows count as n/(1 + 0.2 (n − 1)): at most five [CP]. At least half of all rows, and 60 % of those
    that can tell, must fit better with the mistake.
    """
    record, past = screen.record, screen.past
    doubtful = screen.doubtful | doubted
    told: list[dict[str, Any]] = []
    covered: dict[int, Flags] = {}
    found_before: set[tuple[int, bytes]] = set()
    for scope, column in SCOPES.items():
        source = samples.fact(column)
        code = source.codes.astype("int64")
        rows = _rows_of(samples, doubtful, scope, column)
        if not rows.size:
            continue
        found = [
            one
            for some in _of_few_sources(rows, code)
            for one in _best(record, _of_rows(record, past, seen, some, known), some, code)
        ]
        told += _bias(record, np.where(source.stated() & np.isin(code, code[rows]), code, -1), scope, source.texts)
        for one in found:
            members = code == one.group
            key = (one.candidate, (members & doubtful).tobytes())
            if key in found_before:
                continue
            found_before.add(key)
            if one.probability >= _COVERS and scope == "file":
                covered[one.candidate] = covered.get(one.candidate, np.zeros(len(record), dtype="bool")) | members
            told.append(_row(one, scope, source.texts[one.group]))
    return Patterns(_worded(told), covered)


def _rows_of(samples: SampleTable, doubtful: Flags, scope: str, column: str) -> Places:
    """Choose the rows of every source that are looked at, evenly through it."""
    source = samples.fact(column)
    code, named = source.codes.astype("int64"), source.stated()
    least = 0.0 if scope == "file" else HELD_SHARE
    size = np.bincount(code, minlength=1).astype("float64")
    share = np.bincount(code, weights=doubtful, minlength=1) / np.maximum(size, 1)
    wanted = named & (size >= FEWEST)[code] & (share >= least)[code]
    rank = pd.Series(code).groupby(code).cumcount().to_numpy()
    step = np.ceil(size / ROWS_LOOKED_AT)[code]
    return np.flatnonzero(wanted & (rank % step == 0))


def _of_few_sources(rows: Places, code: Places) -> list[Places]:
    """Part the rows into those of whole sources, some thousand together: a source is judged by its own rows alone."""
    group = (np.cumsum(np.bincount(code[rows])) // _ROWS_AT_ONCE)[code[rows]]
    order = np.argsort(group, kind="stable")
    return np.split(rows[order], np.flatnonzero(np.diff(group[order])) + 1)


@dataclass(frozen=True)
class _Found:
    """The likeliest mistake of a source: how many samples can tell, and which share of them agrees."""

    group: int
    candidate: int
    samples: int
    share: float
    probability: float
    runner: int


def _of_rows(
    record: Record, past: PastReadings, seen: dict[str, Flags], rows: Places, known: pd.DataFrame
) -> pd.DataFrame:
    """Give what a whole source can have, weighed for its rows; those of which nothing is known are weighed here."""
    place = np.full(len(record), -1)
    place[rows] = np.arange(rows.size)
    own = place[known["sample"].to_numpy(dtype="int64")]
    parts = [known[own >= 0].assign(sample=own[own >= 0])]
    rest = np.setdiff1d(rows, known["sample"])
    if rest.size:
        flags = {name: flag[rest] for name, flag in seen.items()}
        more = source_evidence(judged(record.take(rest), past.take(rest), flags, _systematic_or_state()))
        parts.append(more.assign(sample=place[rest[more["sample"]]]))
    known_rows: pd.DataFrame = pd.concat(parts, ignore_index=True)
    return known_rows


def _best(record: Record, weighed: pd.DataFrame, rows: Places, code: Places) -> list[_Found]:
    """Give the likeliest mistake of every source that has one."""
    systematic = np.isin(every("mistake"), list(SYSTEMATIC))
    sample, candidate, fit, usual = (
        weighed[name].to_numpy() for name in ("sample", "candidate", "log_fit", "log_usual")
    )
    base = np.zeros(rows.size)
    base[sample[candidate == 0]] = fit[candidate == 0]
    some = np.flatnonzero(systematic[candidate])
    usual = usual[some] - _without_mistake(sample, candidate, usual)[sample[some]]
    sample, candidate = sample[some], candidate[some]
    swap = (every("mistake") == "swapped-analytes")[candidate]
    ratio = fit[some] - base[sample] + np.where(swap, usual, 0.0)
    size = len(catalogue())
    sums = pd.DataFrame(
        {
            "total": _told(ratio, sample),
            "usual": np.where(swap, 0.0, usual),
            "samples": np.abs(ratio) >= _TELLS,
            "better": ratio >= _TELLS,
        }
    ).groupby(code[rows][sample] * size + candidate)
    total, samples, better = (sums[name].sum().to_numpy() for name in ("total", "samples", "better"))
    looked, key = sums.size().to_numpy(dtype="int64"), sums.size().index.to_numpy()
    group, candidate = np.divmod(key, size)
    share = better / np.maximum(samples, 1)
    most = (better >= 0.5 * np.bincount(code[rows])[group]) & (share >= AGREEING) & (samples >= FEWEST)
    at = np.flatnonzero(most)
    group, candidate, looked = group[at], candidate[at], looked[at]
    free = _lacking(record, rows, code, group, candidate, looked)
    evidence = total[at] + free * np.log1p(-_LIKELY)
    tempered = evidence / (1.0 + CORRELATION * (looked - 1.0)) + sums["usual"].mean().to_numpy()[at]
    uncompensated = (every("detail") == READ_COLD)[candidate]
    tempered += np.where(uncompensated, against_uncompensated(record.take(rows), code[rows])[group], 0.0)
    probability = _shares(group, tempered + priors().log_prior[candidate])
    return _likeliest(group, candidate, samples[at], share[at], probability)


def _likeliest(
    group: Places, candidate: Places, samples: npt.NDArray[np.integer[Any]], share: Floats, probability: Floats
) -> list[_Found]:
    """Take the likeliest mistake of each source where it is, or some mistake is, likely enough."""
    found = []
    for _, places in groupby(np.lexsort((-probability, group)).tolist(), key=group.__getitem__):
        first, *others = places
        equal = others and probability[others[0]] >= probability[first] / _EQUAL
        if probability[first] >= _COVERS or probability[[first, *others]].sum() >= _LIKELY:
            found.append(
                _Found(
                    group=int(group[first]),
                    candidate=int(candidate[first]),
                    samples=int(samples[first]),
                    share=float(share[first]),
                    probability=float(probability[first]),
                    runner=int(candidate[others[0]]) if equal else 0,
                )
            )
    return found


def _shares(group: Places, logs: Floats) -> Floats:
    """Turn log posteriors into probabilities within each group, "no mistake" among its answers."""
    nothing = priors().log_prior[0]
    top = np.full(group.max(initial=-1) + 1, nothing)
    np.maximum.at(top, group, logs)
    weight = np.exp(logs - top[group])
    total = pd.Series(weight).groupby(group).transform("sum").to_numpy()
    return np.asarray(weight / (total + np.exp(nothing - top[group])), dtype="float64")


def _lacking(
    record: Record, rows: Places, code: Places, group: Places, candidate: Places, looked: npt.NDArray[np.integer[Any]]
) -> Floats:
    """Count the rows of a source that cannot have lost or gained the digit: the count or the value would be absurd."""
    read, sources, row = record.exact[:, rows], code[rows], every("row")[candidate]
    readable = np.array([read[one, sources == source].sum() for one, source in zip(row, group, strict=True)])
    tens = (every("mistake") == "factor-ten")[candidate]
    return np.where(tens, np.maximum(readable - looked, 0.0), 0.0)


def _told(ratio: Floats, row: Places) -> Floats:
    """Log likelihood ratio of a mistake of the whole source, where a row may have one of its own or be free of it."""
    best = np.full(row.max(initial=-1) + 1, -np.inf)
    np.maximum.at(best, row, ratio)
    alone = np.logaddexp(0.0, np.log(_OWN) + best)[row]
    with_it = np.log(_LIKELY) + ratio
    return np.asarray(np.logaddexp(with_it, np.log1p(-_LIKELY) + alone) - alone, dtype="float64")


def _without_mistake(sample: Places, candidate: Places, usual: Floats) -> Floats:
    """How usual each sample is if nothing is wrong with it: as it was recorded, or a softened or a soda water."""
    prior = priors().log_prior - priors().log_prior[0]
    result = np.full(sample.max(initial=-1) + 1, -np.inf)
    for name in _STATES:
        rows = (every("mistake") == name)[candidate]
        result[sample[rows]] = np.logaddexp(result[sample[rows]], usual[rows] + prior[candidate[rows]])
    return result


def _row(one: _Found, scope: str, name: str) -> dict[str, Any]:
    cause = catalogue()[one.candidate]
    return {
        "file_sha256": name if scope == "file" else "",
        "scope": scope if scope == "file" else f"{scope} {name}",
        "analyte": cause.analyte,
        "other_analyte": cause.other,
        "mistake": cause.mistake,
        "detail": cause.detail,
        "samples": one.samples,
        "share": one.share,
        "probability": one.probability,
        "runner": one.runner,
    }


def _bias(record: Record, code: Places, scope: str, names: tuple[str, ...]) -> list[dict[str, Any]]:
    """Find a source (``code``, -1 for none) whose first and second readings differ by the same ratio everywhere."""
    told = []
    for name in SECOND:
        with np.errstate(divide="ignore", invalid="ignore"):
            log = np.log(record.amounts[ROW[f"second {name}"]] / record.amounts[ROW[name]])
        rows = np.flatnonzero((code >= 0) & np.isfinite(log))
        rows = rows[np.bincount(code[rows], minlength=1)[code[rows]] >= FEWEST]
        if not rows.size:
            continue
        sums = pd.Series(log[rows]).groupby(code[rows]).agg(["size", "median", "std"])
        error = 1.2533 * np.maximum(sums["std"], 1e-3) / np.sqrt(sums["size"])
        off = (sums["median"].abs() >= _BIAS) & (sums["median"].abs() >= _BIAS_ERRORS * error)
        sums = sums[off & (sums["median"].abs() < np.log(1.4))]  # more is a unit or a form, not a bias
        percent = 100.0 * np.expm1(sums["median"].to_numpy())
        direction = np.where(percent > 0, "above", "below")
        words = {"percent": np.abs(percent), "direction": pa.array(direction, pa.string())}
        details = filled("the second reading is {percent:0} % {direction} the first", words).to_pylist()
        for group, size, detail in zip(sums.index.tolist(), sums["size"].tolist(), details, strict=True):
            told.append(
                {
                    "file_sha256": names[group] if scope == "file" else "",
                    "scope": scope if scope == "file" else f"{scope} {names[group]}",
                    "analyte": name,
                    "other_analyte": "",
                    "mistake": "instrument-fault",
                    "detail": detail,
                    "samples": size,
                    "share": 1.0,
                    "probability": 0.9,
                    "runner": 0,
                }
            )
    return told


def _worded(told: list[dict[str, Any]]) -> pd.DataFrame:
    """Lay the patterns out, with the message of each."""
    numbers = {"samples": "int64", "share": "float64", "probability": "float64"}
    columns = {name: [one[name] for one in told] for name in PATTERN_COLUMNS[:-1]}
    table = pd.DataFrame({name: pd.Series(values, dtype=numbers.get(name, "str")) for name, values in columns.items()})
    if table.empty:
        return table.assign(message=pd.Series(dtype="str"))
    titles = pd.Series(wording.titles(table, "title"), dtype="str")
    words = {"title": titles, "percent": 100.0 * table["share"]}
    of = fill(
        "One mistake in the whole of this {scope}: {title}. It fits {percent:0} % of {samples} records that can tell.",
        table,
        words,
    )
    runner = np.array([one["runner"] for one in told])
    facts = {"mistake": "mistake", "analyte": "analyte", "other_analyte": "other", "detail": "detail"}
    second = wording.titles({name: every(fact)[runner] for name, fact in facts.items()}, "title")
    of = of + np.where(runner > 0, " Fits nearly as well: " + second + ".", "")
    bias = table["mistake"] == "instrument-fault"
    steady = fill("{scope}: {analyte}, {detail} in {samples} pairs: one instrument or kit lot reads wrong.", table)
    return table.assign(message=of.mask(bias, steady))
