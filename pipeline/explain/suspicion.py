"""The check that no single limit can make: all relations together say that a reading is wrong."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.registry import CHECKS, Check, cases_of, no_findings
from pipeline.explain.check_evidence import INNOCENT, MISSING
from pipeline.explain.pairs import PAIR_ANSWERS
from pipeline.explain.priors import UNNAMED
from pipeline.explain.rank import explain
from pipeline.explain.screen import DISAGREES, FAR
from pipeline.normalise.sample_table import places
from pipeline.reference import table
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.columns import Cases
    from pipeline.checks.limits import Limits
    from pipeline.explain.rank import Weighed
    from pipeline.explain.tables import Explained
    from pipeline.normalise.sample_table import SampleTable

_WRONG: Final = "All relations together: a reading is wrong with a probability of"
_BOTTLES: Final = (
    "The two bottles of the visit do not go together: a reading of this one is wrong with a probability of"
)
_EXCHANGED: Final = "swapped-analytes"  # noted although no relation disagrees: two readings in no water's proportion
_GAP: Final = "The record has a gap, with a probability of"
MENDS: Final = (
    1.5  # log odds by which undoing a mistake must mend the relations themselves: what is usual does not count
)
UNNAMED_FROM: Final = 3.0  # standard uncertainties from which a relation disagrees though no known mistake mends it


@dataclass(frozen=True)
class SuspicionLimits:
    """Limits of the check, and of what the weighing makes of the checks whose figures it holds as well."""

    percent: float = 50.0  # probability of a mistake from which a person is asked [CP]
    unusual_percent: float = 95.0  # where only the past disagrees; of one cause where all relations are ordinary [CP]
    bottles_percent: float = 65.0  # that a reading of either of two bottles is wrong, where they disagree [CP]
    blamed_percent: float = 30.0  # of one bottle then: about half of what speaks against the other one [CP]
    acquits_percent: float = 50.0  # probability of no mistake from which a check's hold is a note [CP]


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
    50 % where some relation is off by two standard uncertainties and the mistake mends the relations by log odds of
    1, or where one is off by three and no known mistake fits; above 95 % where only the past of the point disagrees,
    by 3.5 standard deviations [CP, IH1993]. Values that are merely unusual hold nothing. A note where an ion was not
    measured; where no relation is off by more than in ordinary analyses (10 % of the charges, 15 % of the
    conductivity) and no single cause has 95 %; and where only the proportion of two readings says that they are
    exchanged. Only records that no other check holds are looked at; a check that holds by figures which are weighed
    here as well becomes a note where no mistake is likelier.
    """
    result = doubts(explain(samples, no_findings(), limits), limits.of(SuspicionLimits))
    return cases_of(result, samples.about.index)


SINGLE_MISTAKE: Final = Check(
    check_id="single-mistake",
    title="No single mistake makes all readings of the record agree better",
    rationale=(single_mistake.__doc__ or "").strip(),
    source="JCGM106, IH1993",
    severity="hold",
    unit="%",
    message="{lead} {observed:0} %. {alternative}.",
    function=single_mistake,
)
# Every check there is, by id: those of single rules, and this one.
KNOWN_CHECKS: Final = {**CHECKS, SINGLE_MISTAKE.check_id: SINGLE_MISTAKE}


def doubts(weighed: Weighed, bounds: SuspicionLimits) -> pd.DataFrame:
    """Give the probability that a record holds a mistake, and the likeliest one.

    Parameters
    ----------
    weighed : the records in question; each is judged by itself.
    bounds : of the check.

    Returns
    -------
    frame, index `sample_id`: `observed` [%], `low` (open), `high`, `alternative`, `analyte`, `mistake`, `innocent` [%].
    """
    against = weighed.against()
    return pd.concat([_doubts(told, against, bounds) for told in weighed.each_alone()])


def _doubts(explained: Explained, against: pd.DataFrame, bounds: SuspicionLimits) -> pd.DataFrame:
    """Give the same of some of the records."""
    told = explained.explanations
    owner, names = pd.factorize(told["sample_id"])
    cleared, exchanged, gap = _shares(told, owner, len(names))
    missing = (gap >= _largest(told, owner, len(names))) & (100.0 * (1.0 - cleared) < bounds.percent)
    row = _likeliest(told, owner, missing)
    title, evidence, analyte, best = (
        np.append(told[name].to_numpy(dtype=object), "")[row] for name in ("title", "evidence", "analyte", "mistake")
    )
    against = against.reindex(names)
    worst = against["relations"].to_numpy()
    mended = _mended(explained.relations, names, np.append(told["rank"].to_numpy(), 0)[row])
    kind = best.astype("str")
    disagrees = (worst >= DISAGREES) & np.where(kind == UNNAMED, worst >= UNNAMED_FROM, mended)
    far = against["past"].to_numpy() >= FAR
    apart = 100.0 * against["either"].to_numpy() >= bounds.bottles_percent
    exchanged_labels = np.isin(kind, PAIR_ANSWERS)
    asked = np.select(
        [missing, apart, disagrees | exchanged_labels, far | (kind == _EXCHANGED)],
        [0.0, bounds.blamed_percent, bounds.percent, bounds.unusual_percent],
        np.nan,
    )
    sure = 100.0 * np.append(told["probability"].to_numpy(), 0.0)[row] >= bounds.unusual_percent
    beyond = against["beyond"].fillna(value=False).to_numpy(dtype="bool")
    hold = ~missing & (disagrees & (beyond | sure) | far | apart | exchanged_labels)
    return pd.DataFrame(
        {
            "observed": 100.0 * np.where(missing, gap, np.maximum(1.0 - cleared, exchanged)),
            "low": np.nan,
            "high": asked,
            "lead": np.select([missing, apart], [_GAP, _BOTTLES], _WRONG),
            "alternative": pd.Series(title + ": " + evidence, dtype="str").str.rstrip(": .").array,
            "severity": np.where(hold, "hold", "note"),
            "analyte": pd.Series([name if name in ANALYTES else "" for name in analyte], dtype="str").array,
            "mistake": pd.Series(best, dtype="str").array,
            "innocent": 100.0 * np.minimum(cleared, 1.0 - exchanged),
        },
        index=pd.Index(names, name="sample_id"),
    )


def _shares(told: pd.DataFrame, owner: Places, count: int) -> tuple[Floats, Floats, Floats]:
    """Give for each record the probability that no reading is wrong, that its labels are exchanged, and of a gap."""
    mistake, likely = TextColumn.from_series(told["mistake"]), told["probability"].to_numpy()
    own = mistake.isin(INNOCENT) & ~mistake.isin(PAIR_ANSWERS)
    cleared = np.bincount(owner, weights=np.where(own, likely, 0.0), minlength=count).clip(max=1.0)
    exchanged, gap = np.zeros((2, count))
    for shares, name in ((exchanged, "swapped-samples"), (gap, MISSING)):
        rows = np.flatnonzero(mistake.isin([name]))
        np.maximum.at(shares, owner[rows], likely[rows])
    return cleared, exchanged, gap


def _largest(told: pd.DataFrame, owner: Places, count: int) -> Floats:
    """Give the probability of each record's likeliest answer about its own readings."""
    mistake, likely = TextColumn.from_series(told["mistake"]), told["probability"].to_numpy()
    largest = np.zeros(count)
    np.maximum.at(largest, owner, np.where(mistake.isin(PAIR_ANSWERS), 0.0, likely))
    return largest


def _likeliest(told: pd.DataFrame, owner: Places, missing: Flags) -> Places:
    """Point from each record to its likeliest mistake, or to the gap where it has one; past the end where to none."""
    mistake, likely = TextColumn.from_series(told["mistake"]), told["probability"].to_numpy()
    wanted = np.where(missing[owner], mistake.isin([MISSING]), ~mistake.isin(INNOCENT))
    rows = np.flatnonzero(wanted)
    rows = rows[np.lexsort((-likely[rows], owner[rows]))]
    found, first = np.unique(owner[rows], return_index=True)
    row = np.full(len(missing), len(told))
    row[found] = rows[first]
    return row


@cache
def _noticed_by() -> dict[str, tuple[str, ...]]:
    """Give the checks that see a mistake in a single figure, by mistake."""
    priors = table("mistake_priors").dropna(subset=["seen_by"])
    pairs = zip(priors["mistake"], priors["seen_by"].str.split(), strict=True)
    noticed: dict[str, tuple[str, ...]] = {}
    for mistake, checks in pairs:
        noticed[mistake] = (*noticed.get(mistake, ()), *checks)
    return noticed


def said_already(result: pd.DataFrame, findings: pd.DataFrame) -> Flags:
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


def _mended(relations: pd.DataFrame, names: pd.Index, rank: npt.NDArray[np.int64]) -> Flags:
    """Tell the records of which undoing the likeliest mistake makes the relations agree much better.

    Parameters
    ----------
    relations : of `Explained`.
    names : (n,) the records.
    rank : (n,) of the likeliest mistake of each; 0 where there is none.
    """
    owner = places(names, relations["sample_id"])
    before, after = (relations[name].to_numpy() ** 2 for name in ("score_before", "score_after"))
    own = (owner >= 0) & (relations["rank"].to_numpy() == rank[owner])
    gain = np.bincount(owner[own], weights=(before - after)[own], minlength=len(names)) / 2.0
    return np.asarray(gain >= MENDS, dtype="bool")
