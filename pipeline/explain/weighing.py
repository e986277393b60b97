"""Samples to their answers, some thousand at a time: what was weighed for each is let go with its portion."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from pipeline.checks.summed_hardness import AS_SUM
from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM
from pipeline.engine.engine import HERE
from pipeline.explain.answers import answers_of, best_named, ranked_answers, unexplained, without_name
from pipeline.explain.mistakes.catalogue import every
from pipeline.explain.mistakes.two import TWO
from pipeline.explain.no_witness import half_digit
from pipeline.explain.patterns import SOURCE_COLUMNS, raised, source_evidence
from pipeline.explain.record import ROW
from pipeline.explain.search import alike_groups, is_likely, judged, values_meant

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Places
    from pipeline.engine.engine import Engine
    from pipeline.explain.ranges import PastReadings
    from pipeline.explain.record import Record

ANSWER_COLUMNS: Final = ("sample", "candidate", "rank", "probability", "value_from", "value_to")
_SAMPLES_AT_ONCE: Final = 2048
_TIMES_LIKELIER: Final = float(np.log(10.0))  # two mistakes must be that much likelier than any single one [JEFFREYS]


class PortionAnswers(NamedTuple):
    """What is left of the samples of a portion, by their places among all.

    Attributes
    ----------
    alone : ANSWER_COLUMNS, by sample and rank: of each record by itself.
    told : the same of those samples only whose source changes their answers.
    of_sources : SOURCE_COLUMNS, by which whole sources are judged.
    """

    alone: pd.DataFrame
    told: pd.DataFrame
    of_sources: pd.DataFrame


@dataclass(frozen=True)
class Weighing:
    """All (n,) samples, of which some are weighed.

    Attributes
    ----------
    record, past : their readings and their past.
    seen : the samples that each check found something in.
    doubted : those that a check holds.
    summed : those whose source adds calcium and magnesium up.
    """

    record: Record
    past: PastReadings
    seen: dict[str, Flags]
    doubted: Flags
    summed: Flags

    def answers(
        self, at: Places, covered: dict[int, Flags], engine: Engine = HERE, *, sources: bool = False
    ) -> PortionAnswers:
        """Weigh every mistake in some of the samples.

        Parameters
        ----------
        at : their places among all.
        covered : (n,) samples, by the candidate that their source makes likely.
        engine : weighs a portion at a time; what comes out does not depend on their size.
        sources : whole sources are to be judged by these samples.
        """
        portions = (self._portion(at[some], covered, sources=sources) for some in self._groups(at))
        return _joined(list(engine.map(_answered, portions)))

    def without_history(self, at: Places, covered: dict[int, Flags]) -> PortionAnswers:
        """Weigh samples with exchanged labels again: what stands at the wrong point has no history there."""
        nobody = np.zeros(len(self.record), dtype="bool")
        new = Weighing(self.record, self.past, {**self.seen, "history": nobody}, self.doubted, self.summed)
        portions = (new._portion(at[some], covered) for some in self._groups(at))
        parts = [_answered(portion._replace(past=portion.past.none(), single=True)) for portion in portions]
        return _joined(parts)

    def _groups(self, at: Places) -> list[Places]:
        return alike_groups(self.record.amounts[:, at], _SAMPLES_AT_ONCE)

    def _portion(self, at: Places, covered: dict[int, Flags], *, sources: bool = False) -> _Portion:
        return _Portion(
            samples=at,
            record=self.record.take(at),
            past=self.past.take(at),
            seen={name: flags[at] for name, flags in self.seen.items()},
            doubted=self.doubted[at],
            summed=self.summed[at],
            covered={candidate: flags[at] for candidate, flags in covered.items() if flags[at].any()},
            sources=sources,
        )


class _Portion(NamedTuple):
    """Samples to be weighed, with all that it takes; else as ``Weighing`` has it."""

    samples: Places
    record: Record
    past: PastReadings
    seen: dict[str, Flags]
    doubted: Flags
    summed: Flags
    covered: dict[int, Flags]
    sources: bool = False
    single: bool = False  # two mistakes at once are left out


def _answered(portion: _Portion) -> PortionAnswers:
    """Weigh the samples of a portion, and keep what is told of each."""
    weighed = judged(portion.record, portion.past, portion.seen, ~_is_double(), likely=not portion.sources)
    whole = source_evidence(weighed) if portion.sources else weighed.iloc[:0][list(SOURCE_COLUMNS)]
    weighed = weighed[is_likely(weighed)] if portion.sources else weighed
    weighed = _by_sample(weighed if portion.single else pd.concat([weighed, _two_mistakes(weighed, portion)]))
    more = raised(weighed, portion.covered)
    untitrated = _of_no_titration(weighed, portion)
    differs = np.zeros(len(portion.samples), dtype="bool")
    differs[weighed["sample"].to_numpy()[untitrated | (more != 0.0)]] = True
    of_these = differs[weighed["sample"].to_numpy()] & ~untitrated
    by_source = weighed.assign(log_posterior=weighed["log_posterior"] + more)[of_these]
    return PortionAnswers(_ranked(weighed, portion), _ranked(by_source, portion), _placed(whole, portion))


def _ranked(weighed: pd.DataFrame, portion: _Portion) -> pd.DataFrame:
    """Rank the answers of some samples, with the values that each means."""
    own = ranked_answers(answers_of(weighed), portion.doubted)
    received, meant = values_meant(portion.record, own["sample"].to_numpy(), own["candidate"].to_numpy())
    return _placed(own.assign(value_from=received, value_to=meant)[list(ANSWER_COLUMNS)], portion)


def _placed(rows: pd.DataFrame, portion: _Portion) -> pd.DataFrame:
    return rows.assign(sample=portion.samples[rows["sample"].to_numpy(dtype="int64")])


def _joined(parts: list[PortionAnswers]) -> PortionAnswers:
    """Put what is left of all portions together, by sample."""
    if not parts:
        none = pd.DataFrame({name: pd.Series(dtype="int64") for name in ANSWER_COLUMNS})
        return PortionAnswers(none, none, pd.DataFrame({name: pd.Series(dtype="int64") for name in SOURCE_COLUMNS}))
    return PortionAnswers(*(_in_order(pd.concat(tables, ignore_index=True)) for tables in zip(*parts, strict=True)))


def _in_order(rows: pd.DataFrame) -> pd.DataFrame:
    ordered: pd.DataFrame = rows.iloc[np.argsort(rows["sample"].to_numpy(), kind="stable")].reset_index(drop=True)
    return ordered


def with_others(rows: pd.DataFrame, others: pd.DataFrame) -> pd.DataFrame:
    """Take the answers of some samples from ``others`` in place of those in ``rows``."""
    kept = rows[~np.isin(rows["sample"].to_numpy(), others["sample"].to_numpy())]
    return _in_order(pd.concat([kept, others], ignore_index=True))


def _two_mistakes(weighed: pd.DataFrame, portion: _Portion) -> pd.DataFrame:
    """Weigh two mistakes at once in the samples that none explains; a pair must be ten times likelier than any."""
    at = unexplained(weighed, len(portion.samples))
    if not at.size:
        return weighed.iloc[:0]
    flags = {name: flag[at] for name, flag in portion.seen.items()}
    among = _is_double() | (every("mistake") == "no-mistake")
    pairs = judged(portion.record.take(at), portion.past.take(at), flags, among, likely=True)
    pairs = pairs.assign(sample=at[pairs["sample"].to_numpy()])[_is_double()[pairs["candidate"].to_numpy()]]
    least = best_named(weighed, len(portion.samples))[pairs["sample"]] + _TIMES_LIKELIER
    likelier: pd.DataFrame = pairs[pairs["log_posterior"] >= least]
    return likelier


def _by_sample(weighed: pd.DataFrame) -> pd.DataFrame:
    """Keep what is likely, by sample; the order matters to the last digit of the sums that are made of it."""
    order = np.argsort(weighed["sample"].to_numpy(), kind="stable")
    kept: pd.DataFrame = weighed.iloc[order[is_likely(weighed)[order]]].reset_index(drop=True)
    return kept


@cache
def _is_double() -> Flags:
    return np.asarray(every("mistake") == TWO)


def _of_no_titration(weighed: pd.DataFrame, portion: _Portion) -> Flags:
    """Tell the mistakes of a titration in samples whose source adds calcium and magnesium up.

    A mistake with the sum, once it was made, would leave the very sum.
    """
    record = portion.record
    candidate, sample = weighed["candidate"].to_numpy(dtype="int64"), weighed["sample"].to_numpy(dtype="int64")
    flags = portion.summed[sample] & (every("row") == ROW["total_hardness"])[candidate] & ~without_name()[candidate]
    at = np.flatnonzero(flags)
    _, meant = values_meant(record, sample[at], candidate[at])
    calcium, magnesium = (record.amounts[ROW[name], sample[at]] for name in ("calcium", "magnesium"))
    written = record.written[ROW["total_hardness"], sample[at]]
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.abs(meant / (CACO3_PER_CALCIUM * calcium + CACO3_PER_MAGNESIUM * magnesium) - 1.0)
        flags[at] = off > AS_SUM + half_digit(written) / written
    return np.asarray(flags, dtype="bool")
