"""The check that no single limit can make: all relations together say that a reading is wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.registry import CHECKS, Check, columns_of, findings_of, no_findings
from pipeline.explain.pairs import PAIR_ANSWERS
from pipeline.explain.priors import UNNAMED
from pipeline.explain.rank import Explained, explain
from pipeline.reference import table
from schemas.columns import ANALYTES, SEVERITIES, VERDICTS

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.checks.columns import Columns
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


def single_mistake(samples: SampleTable, limits: Limits) -> Columns:
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
    result = doubts(explain(samples, no_findings(), limits), SuspicionLimits())
    return columns_of(result, samples.about.index)


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
    of_pair = told["mistake"].isin(PAIR_ANSWERS)
    blameless = told["mistake"].isin(["no-mistake", *STATES])
    own = told[~of_pair]
    innocent = told[~of_pair & blameless].groupby("sample_id")["probability"].sum()
    samples = pd.Index(own["sample_id"].unique(), name="sample_id")
    readings = 1.0 - innocent.reindex(samples, fill_value=0.0).clip(upper=1.0)
    exchanged = told[told["mistake"] == "swapped-samples"].groupby("sample_id")["probability"].max()
    pair = exchanged.reindex(samples, fill_value=0.0)
    best = told[~blameless].sort_values(["sample_id", "probability"], ascending=[True, False], kind="stable")
    best = best.drop_duplicates("sample_id").set_index("sample_id").reindex(samples)
    title, evidence = (best[name].fillna("").astype("str") for name in ("title", "evidence"))
    calm = _unmoved(explained.relations, best)
    return pd.DataFrame(
        {
            "observed": 100.0 * np.maximum(readings, pair),
            "low": np.nan,
            "high": np.where(calm, bounds.unusual_percent, bounds.percent),
            "alternative": (title + ": " + evidence).str.rstrip(": ."),
            "severity": np.where(best["mistake"] == "missing-ion", "note", "hold"),
            "analyte": best["analyte"].fillna("").where(best["analyte"].isin(list(ANALYTES)), ""),
            "mistake": best["mistake"].fillna("").astype("str"),
        },
        index=samples,
    )


def _said_already(result: pd.DataFrame, findings: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell the records in which a check has noted the very mistake; its severity stands."""
    priors = table("mistake_priors").dropna(subset=["seen_by"])
    checks_of = priors.assign(seen_by=priors["seen_by"].str.split()).explode("seen_by")
    seen = checks_of.groupby("mistake")["seen_by"].agg(set)
    told = findings.loc[findings["sample_id"].isin(result.index), ["sample_id", "check_id"]]
    said = {name: set(told["sample_id"][told["check_id"].isin(checks)]) for name, checks in seen.items()}
    return np.array(
        [name in said.get(mistake, ()) for name, mistake in zip(result.index, result["mistake"], strict=True)], "bool"
    )


def _unmoved(relations: pd.DataFrame, best: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell the records of which no relation disagrees or none is mended: their values are unusual at most.

    Parameters
    ----------
    relations : of `Explained`.
    best : likeliest mistake of each record, index `sample_id`, with its `rank`.
    """
    worst = relations["score_before"].abs().groupby(relations["sample_id"]).max().reindex(best.index)
    own = relations[relations["rank"] == relations["sample_id"].map(best["rank"])]
    gain = (own["score_before"].abs() - own["score_after"].abs()).groupby(own["sample_id"]).max().reindex(best.index)
    told = ~best["mistake"].isin([UNNAMED, *PAIR_ANSWERS])
    unmended = told & ~(gain >= MENDS)
    return np.asarray((worst < DISAGREES) | unmended, dtype="bool")


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
    held = set(checked.verdict.index[checked.verdict.isin(SEVERITIES[1:])])
    result = doubts(explained, SuspicionLimits())
    result = result[~result.index.isin(list(held)) & ~_said_already(result, checked.findings)]
    findings, evaluated = findings_of(SINGLE_MISTAKE, result, samples.about.index)
    seen, missing = int(evaluated.sum()), int((~evaluated).sum())
    run = pd.DataFrame([(SINGLE_MISTAKE.check_id, seen, missing, len(findings))], columns=checked.runs.columns)
    runs = pd.concat([checked.runs, run], ignore_index=True).sort_values("check_id", ignore_index=True)
    if findings.empty:
        return replace(checked, runs=runs)
    joined = pd.concat([checked.findings, findings], ignore_index=True)
    order = np.lexsort((np.arange(len(joined)), -_rank(joined)))
    serious = findings[findings["severity"] != SEVERITIES[0]]
    noted = checked.verdict.index.isin(findings["sample_id"]) & (checked.verdict == VERDICTS[0]).to_numpy()
    verdict = checked.verdict.mask(noted, "note").mask(checked.verdict.index.isin(serious["sample_id"]), "hold")
    return replace(
        checked,
        findings=joined.iloc[order].reset_index(drop=True),
        verdict=verdict,
        runs=runs,
        open_findings=pd.concat(
            [checked.open_findings, serious[["sample_id", "severity", "analyte"]]], ignore_index=True
        ),
    )


def _rank(findings: pd.DataFrame) -> np.ndarray:
    return findings["severity"].map({name: place for place, name in enumerate(SEVERITIES)}).to_numpy(dtype="int64")


def of_samples(explained: Explained, samples: pd.Index) -> Explained:
    """Keep what is told of some samples, and the patterns of whole files."""
    frames = {
        name: frame[frame["sample_id"].isin(samples)].reset_index(drop=True)
        for name, frame in (
            ("explanations", explained.explanations),
            ("relations", explained.relations),
            ("questions", explained.questions),
        )
    }
    return replace(explained, **frames)
