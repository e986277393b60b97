"""The check that no single limit can make: all relations together say that a reading is wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.registry import CHECKS, Check, cases_of, findings_of, no_findings, severity_ranks
from pipeline.explain.pairs import PAIR_ANSWERS
from pipeline.explain.priors import UNNAMED
from pipeline.explain.rank import Explained, explain
from pipeline.normalise.sample_table import places
from pipeline.reference import table
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES, OPEN, SEVERITIES, VERDICTS

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags
    from pipeline.checks.columns import Cases
    from pipeline.checks.limits import Limits
    from pipeline.checks.run import Checked
    from pipeline.normalise.sample_table import SampleTable

# True states of a water or its treatment; none of them is a mistake.
STATES: Final = ("softened-water", "soda-water", "source-change", "exhausted-media", "bypass-moved")
DISAGREES: Final = 2.0  # standard uncertainties from which a relation disagrees
MENDS: Final = 1.0  # standard uncertainties by which undoing a mistake must bring a relation nearer


@dataclass(frozen=True)
class SuspicionLimits:
    """Limits of the check."""

    percent: float = 60.0  # probability of a mistake from which a person is asked [CP]
    unusual_percent: float = 95.0  # the same where all relations agree and only the values are unusual [CP]


def single_mistake(samples: SampleTable, limits: Limits) -> Cases:
    """Weigh every known mistake against there being none, over all relations of a record at once.

    Each single check allows for the uncertainty of its own two or three figures; a missing ion, exchanged
    columns or exchanged bottles may stay inside every one of those limits and still be far more likely
    than chance, because several relations are off in the same direction.

    Parameters
    ----------
    samples : the filled sample table.
    limits : of the checks.

    Returns
    -------
    one row per sample: `observed` the probability that some reading is wrong [%], and the likeliest mistake.

    Notes
    -----
    p(mistake) = 1 − p(none) − p(softened, soda water, changed source, exhausted or bypassed treatment), by Bayes' rule
    over the catalogue of mistakes [JCGM106, 6]; or the probability that the labels of a pair are exchanged. Held above
    60 % where some relation is off by two standard uncertainties and the mistake mends one by at least one, above 95 %
    where the values are only unusual [CP]; a note where an ion was not measured. Only records that no other check
    holds are looked at.
    """
    result = doubts(explain(samples, no_findings(), limits), limits.of(SuspicionLimits))
    return cases_of(result, samples.about.index)


SINGLE_MISTAKE: Final = Check(
    check_id="single-mistake",
    title="No single mistake makes all readings of the record agree better",
    rationale=(single_mistake.__doc__ or "").strip(),
    source="JCGM106",
    severity="hold",
    unit="%",
    message="All relations together: a reading is wrong with a probability of {observed:0} %. {alternative}.",
    function=single_mistake,
)
# Every check there is, by id: those of single rules, and this one.
KNOWN_CHECKS: Final = {**CHECKS, SINGLE_MISTAKE.check_id: SINGLE_MISTAKE}


def doubts(explained: Explained, bounds: SuspicionLimits) -> pd.DataFrame:
    """Give the probability that a record holds a mistake, and the likeliest one.

    Parameters
    ----------
    explained : of the records in question.
    bounds : of the check.

    Returns
    -------
    frame, index `sample_id`: `observed` [%], `low` (open), `high`, `alternative`, `analyte`, `mistake`.
    """
    told = explained.explanations
    owner, names = pd.factorize(told["sample_id"])
    mistake, likely = TextColumn.from_series(told["mistake"]), told["probability"].to_numpy()
    innocent = mistake.isin(["no-mistake", *STATES])
    cleared = pd.Series(np.where(innocent, likely, 0.0)).groupby(owner).sum().clip(upper=1.0).to_numpy()
    exchanged = np.zeros(len(names))
    swapped = mistake.isin(["swapped-samples"])
    np.maximum.at(exchanged, owner[swapped], likely[swapped])
    guilty = np.flatnonzero(~innocent)
    guilty = guilty[np.lexsort((-likely[guilty], owner[guilty]))]
    found, first = np.unique(owner[guilty], return_index=True)
    row = np.full(len(names), len(told))
    row[found] = guilty[first]
    title, evidence, analyte, best = (
        np.append(told[name].to_numpy(dtype=object), "")[row] for name in ("title", "evidence", "analyte", "mistake")
    )
    calm = _unmoved(explained.relations, names, np.append(told["rank"].to_numpy(), 0)[row], best)
    return pd.DataFrame(
        {
            "observed": 100.0 * np.maximum(1.0 - cleared, exchanged),
            "low": np.nan,
            "high": np.where(calm, bounds.unusual_percent, bounds.percent),
            "alternative": pd.Series(title + ": " + evidence, dtype="str").str.rstrip(": .").array,
            "severity": np.where(best == "missing-ion", "note", "hold"),
            "analyte": pd.Series([name if name in ANALYTES else "" for name in analyte], dtype="str").array,
            "mistake": pd.Series(best, dtype="str").array,
        },
        index=pd.Index(names, name="sample_id"),
    )


@cache
def _noticed_by() -> dict[str, tuple[str, ...]]:
    """Give the checks that see a mistake in a single figure, by mistake."""
    priors = table("mistake_priors").dropna(subset=["seen_by"])
    pairs = zip(priors["mistake"], priors["seen_by"].str.split(), strict=True)
    noticed: dict[str, tuple[str, ...]] = {}
    for mistake, checks in pairs:
        noticed[mistake] = (*noticed.get(mistake, ()), *checks)
    return noticed


def _said_already(result: pd.DataFrame, findings: pd.DataFrame) -> Flags:
    """Tell the records in which a check has noted the very mistake; its severity stands."""
    check, mistake = TextColumn.from_series(findings["check_id"]), TextColumn.from_series(result["mistake"])
    said = np.zeros(len(result), dtype="bool")
    for name, checks in _noticed_by().items():
        rows, suspected = np.flatnonzero(check.isin(checks)), mistake.isin([name])
        if rows.size and suspected.any():
            told = np.zeros(len(result) + 1, dtype="bool")
            told[places(result.index, findings["sample_id"].iloc[rows])] = True
            said |= suspected & told[:-1]
    return said


def _unmoved(
    relations: pd.DataFrame, names: pd.Index, rank: npt.NDArray[np.int64], mistake: npt.NDArray[np.object_]
) -> Flags:
    """Tell the records of which no relation disagrees or none is mended: their values are unusual at most.

    Parameters
    ----------
    relations : of `Explained`.
    names : (n,) the records.
    rank, mistake : (n,) of the likeliest mistake of each; 0 and "" where there is none.
    """
    owner = places(names, relations["sample_id"])
    before, after = (np.abs(relations[name].to_numpy()) for name in ("score_before", "score_after"))
    worst, gain = np.full((2, len(names)), np.nan)
    np.fmax.at(worst, owner, before)
    own = relations["rank"].to_numpy() == rank[owner]
    np.fmax.at(gain, owner[own], (before - after)[own])
    told = ~np.isin(mistake.astype("str"), (UNNAMED, *PAIR_ANSWERS))
    return np.asarray((worst < DISAGREES) | (told & ~(gain >= MENDS)), dtype="bool")


def with_suspects(checked: Checked, explained: Explained, samples: SampleTable) -> Checked:
    """Hold the records that the limits let pass and the whole of their readings does not.

    Parameters
    ----------
    checked : what the checks said.
    explained : the records they hold, and others.
    samples : the table both were made from.

    Returns
    -------
    Checked with the findings of `single-mistake` and the verdicts that follow.
    """
    index = checked.verdict.index
    held = TextColumn.from_series(checked.verdict).isin(OPEN)
    result = doubts(explained, SuspicionLimits())
    result = result[~held[index.get_indexer(result.index)] & ~_said_already(result, checked.findings)]
    findings, evaluated = findings_of(SINGLE_MISTAKE, result, samples.about.index)
    seen, missing = int(evaluated.sum()), int((~evaluated).sum())
    run = pd.DataFrame([(SINGLE_MISTAKE.check_id, seen, missing, len(findings))], columns=checked.runs.columns)
    runs = pd.concat([checked.runs, run], ignore_index=True).sort_values("check_id", ignore_index=True)
    if findings.empty:
        return replace(checked, runs=runs)
    serious = findings[findings["severity"] != SEVERITIES[0]]
    noted, suspected = np.zeros((2, len(index)), dtype="bool")
    noted[places(index, findings["sample_id"])] = True
    suspected[places(index, serious["sample_id"])] = True
    noted &= ~checked.verdict.isin(SEVERITIES).to_numpy()
    verdict = checked.verdict.mask(noted, "note").mask(suspected, "hold")
    return replace(
        checked,
        findings=_merged(checked.findings, findings),
        verdict=verdict,
        runs=runs,
        open_findings=pd.concat(
            [checked.open_findings, serious[["sample_id", "severity", "analyte"]]], ignore_index=True
        ),
    )


def _merged(findings: pd.DataFrame, more: pd.DataFrame) -> pd.DataFrame:
    """Put further findings behind those of their severity; ``findings`` are sorted worst first."""
    rank, of_more = -severity_ranks(findings), severity_ranks(more)
    parts = []
    for severity in reversed(range(1, len(VERDICTS))):
        begin, end = (int(np.searchsorted(rank, -severity, side)) for side in ("left", "right"))
        parts += [findings.iloc[begin:end], more[of_more == severity]]
    merged: pd.DataFrame = pd.concat([part for part in parts if len(part)], ignore_index=True)
    return merged


def of_samples(explained: Explained, samples: pd.Index) -> Explained:
    """Keep what is told of some samples, and the patterns of whole files."""
    frames = {
        name: frame[places(samples, frame["sample_id"]) >= 0].reset_index(drop=True)
        for name, frame in (
            ("explanations", explained.explanations),
            ("relations", explained.relations),
            ("questions", explained.questions),
        )
    }
    return replace(explained, **frames)
