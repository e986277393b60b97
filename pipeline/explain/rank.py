"""Which single mistake explains a record best: posterior probabilities, evidence and questions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from pipeline.checks.pairs import TreatmentLimits, matched_pairs
from pipeline.checks.summed_hardness import summed_hardness
from pipeline.engine.engine import HERE
from pipeline.explain.bottles import blamed
from pipeline.explain.check_evidence import held_by_checks, seen_by_checks
from pipeline.explain.pairs import PairAnswers, of_pairs
from pipeline.explain.patterns import Patterns, of_files, source_samples
from pipeline.explain.screen import Screened, screened
from pipeline.explain.tables import Explained, cause_tables
from pipeline.explain.weighing import PortionAnswers, Weighing, with_others
from pipeline.normalise.sample_table import places

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.limits import Limits
    from pipeline.engine.engine import Engine
    from pipeline.normalise.sample_table import SampleTable

_WORDED_AT_ONCE: Final = 8192  # samples


class ReadingsAndPairs(NamedTuple):
    """Of every weighed sample: what may have become of its readings (`weighing.ANSWER_COLUMNS`), and of its pairs.

    ``either``: (n,) probability that a reading of one of two bottles is wrong, missing where they go together.
    """

    own: pd.DataFrame
    pairs: PairAnswers
    either: Floats


@dataclass(frozen=True)
class Weighed:
    """What may have happened to the records, in numbers: words are made for those of which they are asked.

    Attributes
    ----------
    screen : the readings of all (n,) samples, and what speaks against them.
    told : the answers.
    alone : the same by each record alone, where the pattern of a file has raised some answers. Verdicts follow from it,
        because the rows of a file come in any portion; else the same object.
    patterns : of whole sources.
    """

    screen: Screened
    told: ReadingsAndPairs
    alone: ReadingsAndPairs
    patterns: Patterns

    def against(self) -> pd.DataFrame:
        """Give what speaks against each weighed sample as received.

        Returns
        -------
        `relations past beyond either`, index `sample_id`.
        """
        screen, chosen = self.screen, np.unique(self.alone.own["sample"].to_numpy(dtype="int64"))
        speaks = {
            "either": self.alone.either,
            "relations": screen.relations,
            "past": screen.far,
            "beyond": screen.beyond,
        }
        return pd.DataFrame({name: values[chosen] for name, values in speaks.items()}, screen.record.index[chosen])

    def tables(self, wanted: Flags | None = None) -> Explained:
        """Tell of the (n,) wanted samples; of all that were weighed where nothing is said."""
        everyone = np.ones(len(self.screen.record), dtype="bool")
        return self._tables(self.told, self.patterns, everyone if wanted is None else wanted)

    def each_alone(self) -> Iterator[Explained]:
        """Tell of all samples, each by itself, some thousand at a time."""
        index = self.screen.record.index
        told = np.zeros(len(index), dtype="bool")
        told[self.alone.own["sample"].to_numpy(dtype="int64")] = True
        told[self.alone.pairs.bottles] = True
        at = np.flatnonzero(told)
        for start in range(0, max(at.size, 1), _WORDED_AT_ONCE):
            wanted = np.zeros(len(index), dtype="bool")
            wanted[at[start : start + _WORDED_AT_ONCE]] = True
            yield self._tables(self.alone, Patterns(self.patterns.table, {}), wanted)

    def _tables(self, answers: ReadingsAndPairs, patterns: Patterns, wanted: Flags) -> Explained:
        record, past = self.screen.record, self.screen.past
        own = answers.own[wanted[answers.own["sample"].to_numpy(dtype="int64")]]
        pairs = answers.pairs.rows(record.index, wanted)
        return cause_tables(own, record, (past, pairs), patterns.covers(own), patterns.table)


def explain(
    samples: SampleTable,
    findings: pd.DataFrame,
    limits: Limits,
    only: Flags | None = None,
    screen: Screened | None = None,
    patterns: Patterns | None = None,
    engine: Engine = HERE,
) -> Weighed:
    """Name the single mistake that would make each record agree with itself.

    A technician wants to know what to ask, not that seven checks failed. One mistake breaks several relations at
    once, and undoing it mends them all: that is the evidence.

    Parameters
    ----------
    samples : all samples; the history and the pairs come from them.
    findings : of the checks: `check_id sample_id`, `severity` if known. They tell what numbers cannot: a copied row, a
        stuck meter; and for a sample on hold the next likely answers are told even where none is the likeliest.
    limits : of the checks.
    only : (n,) samples to explain; the others serve as history. None: all.
    screen, patterns : of all samples, where they are known already.
    engine : weighs.

    Returns
    -------
    Weighed. Nothing in ``samples`` is changed, and no candidate is ever applied.

    Notes
    -----
    Bayes' rule over the candidates h of the catalogue, "no mistake" and "none of these" among them:
    p(h | record) ∝ p(h) · N(gaps; 0, C) · p(readings are usual), gaps and C with the readings as h would have them
    [JCGM106, 6; JCGM102, 6.2]. The prior of a mistake is shared out among its variants, so one that can take many
    forms must fit better (Occam's razor). "None of these" is an unknown factor on any one reading, log-normal
    over three orders of size, and several at once: the broad tail that catches what the catalogue does not know.
    What no candidate changes cancels. Two explanations within a factor of three are equal and a question is asked.

    Example
    -------
    >>> from pipeline.checks.limits import Limits
    >>> from pipeline.normalise.sample_table import samples_from_wide
    >>> kit = {"total_hardness_mg_l_caco3": [320.0], "alkalinity_mg_l_caco3": [260.0], "conductivity_us_cm_25c": [0.68]}
    >>> found = explain(samples_from_wide(pd.DataFrame(kit)), pd.DataFrame({"check_id": [], "sample_id": []}), Limits())
    >>> found.tables().explanations.loc[0, ["mistake", "analyte", "detail"]].tolist()
    ['wrong-unit', 'conductivity', 'mS/cm']
    """
    screen = screened(samples, limits) if screen is None else screen
    record, past = screen.record, screen.past
    chosen = np.arange(len(record)) if only is None else np.flatnonzero(only)
    at = places(record.index, findings["sample_id"])
    seen = {**seen_by_checks(findings, at, len(record)), "history": past.samples > 0}
    doubted = held_by_checks(findings, at, len(record))
    weighing = Weighing(record, past, seen, doubted, samples.once(summed_hardness))
    if patterns is None:
        found, patterns = _with_patterns(samples, screen, weighing, chosen, engine)
    else:
        found = weighing.answers(chosen, patterns.covered, engine)

    def answers(own: pd.DataFrame, *, alone: bool) -> ReadingsAndPairs:
        pairs = of_pairs(samples, record, own, limits)
        moved = np.intersect1d(pairs.exchanged(), chosen)
        if moved.size:
            again = weighing.without_history(moved, patterns.covered)
            own = with_others(own, again.alone if alone else with_others(again.alone, again.told))
            pairs = of_pairs(samples, record, own, limits)
        visits = samples.once(matched_pairs, limits.of(TreatmentLimits).days_apart)
        own, either = blamed(own, visits, screen.bottle, pairs.exchanged())
        return ReadingsAndPairs(own, pairs, either)

    alone = answers(found.alone, alone=True)
    if not patterns.covered and found.told.empty:
        return Weighed(screen, alone, alone, patterns)
    return Weighed(screen, answers(with_others(found.alone, found.told), alone=False), alone, patterns)


def _with_patterns(
    samples: SampleTable, screen: Screened, weighing: Weighing, chosen: Places, engine: Engine
) -> tuple[PortionAnswers, Patterns]:
    """Weigh first what whole sources are judged by, then the rest in the light of these."""
    seen, doubted = weighing.seen, weighing.doubted
    of_sources = np.isin(chosen, np.flatnonzero(source_samples(samples, screen, doubted)))
    first = weighing.answers(chosen[of_sources], {}, engine, sources=True)
    patterns = of_files(samples, screen, seen, first.of_sources, doubted)
    covered = np.logical_or.reduce([np.zeros(len(doubted), dtype="bool"), *patterns.covered.values()])
    rest = weighing.answers(chosen[~of_sources | covered[chosen]], patterns.covered, engine)
    return PortionAnswers(
        with_others(first.alone, rest.alone), with_others(first.told, rest.told), first.of_sources
    ), patterns
