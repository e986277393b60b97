"""Samples on hold that no weighing can acquit: several mistakes at once explain them better than none.

Their verdict stands, and nobody asks for the cause of each of ten thousand of them. The first few candidates show it,
at a twentieth of the cost of all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks.pairs import TreatmentLimits, matched_pairs
from pipeline.explain.check_evidence import INNOCENT, held_by_checks, seen_by_checks
from pipeline.explain.mistakes.catalogue import every
from pipeline.explain.patterns import source_samples
from pipeline.explain.priors import SEVERAL
from pipeline.explain.search import alike_groups, judged
from pipeline.normalise.sample_table import places

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags
    from pipeline.checks.limits import Limits
    from pipeline.explain.ranges import PastReadings
    from pipeline.explain.record import Record
    from pipeline.explain.screen import Screened
    from pipeline.normalise.sample_table import SampleTable

WORTHWHILE: Final = 500  # samples on hold: the causes of fewer are likely all asked for
_SAMPLES_AT_ONCE: Final = 8192


def beyond_doubt(
    samples: SampleTable, findings: pd.DataFrame, limits: Limits, screen: Screened, acquits: float
) -> Flags:
    """Tell the samples on hold whose verdict needs no weighing of all that may have happened.

    Parameters
    ----------
    samples, screen : all samples.
    findings : of the checks, with `severity`.
    limits : of the checks.
    acquits : probability of no mistake that would acquit a sample.

    Returns
    -------
    (n,) flags. Rows by which a whole source is judged, and bottles of a pair, are not among them: others' answers
    follow from theirs.
    """
    at = places(screen.record.index, findings["sample_id"])
    held = held_by_checks(findings, at, len(samples))
    possible = np.flatnonzero(held & _alone(samples, limits) & ~source_samples(samples, screen, held))
    flags = np.zeros(len(samples), dtype="bool")
    if possible.size < WORTHWHILE:
        return flags
    seen = {**seen_by_checks(findings, at, len(samples)), "history": screen.past.samples > 0}
    record, past = screen.record, screen.past
    for some in alike_groups(record.amounts[:, possible], _SAMPLES_AT_ONCE):
        own = possible[some]
        of_some = {name: saw[own] for name, saw in seen.items()}
        flags[own] = _convicted(record.take(own), past.take(own), of_some, acquits)
    return flags


def _convicted(record: Record, past: PastReadings, seen: dict[str, Flags], acquits: float) -> Flags:
    """Tell the samples whose innocence stays below ``acquits``, whatever else is weighed.

    Parameters
    ----------
    record, past, seen : (n,) samples, as for ``judged``.
    acquits : probability of no mistake that would acquit a sample.

    Returns
    -------
    (n,) flags. p(innocent) = I/(I + M) with the sum M over all mistakes, so that any one of them bounds it from above;
    taken is the one that mends every relation a little, and changes no reading.
    """
    weighed = judged(record, past, seen, np.isin(every("mistake"), (*INNOCENT, SEVERAL)))
    sample, log = weighed["sample"].to_numpy(dtype="int64"), weighed["log_posterior"].to_numpy(dtype="float64")
    top = np.full(len(record), -np.inf)
    np.maximum.at(top, sample, log)
    wrong = (every("mistake") == SEVERAL)[weighed["candidate"].to_numpy(dtype="int64")]
    weight = np.exp(log - top[sample])
    mistaken, whole = (np.bincount(sample, weights=part, minlength=len(record)) for part in (weight * wrong, weight))
    return np.asarray(whole - mistaken < acquits * whole, dtype="bool")


def _alone(samples: SampleTable, limits: Limits) -> Flags:
    """Tell the samples without another bottle of their visit: of a pair both are weighed, to judge the pair."""
    pairs = samples.once(matched_pairs, limits.of(TreatmentLimits).days_apart)
    flags = np.ones(len(samples), dtype="bool")
    flags[pairs["raw"].to_numpy()] = flags[pairs["treated"].to_numpy()] = False
    return flags
