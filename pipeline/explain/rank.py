"""Which single mistake explains a record best: posterior probabilities, evidence and questions."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.checks.summed_hardness import AS_SUM, summed_hardness
from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM
from pipeline.engine.engine import HERE
from pipeline.explain import ranges, wording
from pipeline.explain.answers import ENOUGH, answers_of, best_named, ranked_answers, unexplained, without_name
from pipeline.explain.check_evidence import MISSING, held_by_checks, seen_by_checks
from pipeline.explain.mistakes.catalogue import catalogue, every
from pipeline.explain.mistakes.two import TWO
from pipeline.explain.no_witness import half_digit
from pipeline.explain.pairs import PAIR_ANSWERS, of_pairs
from pipeline.explain.patterns import Patterns, of_files, source_samples
from pipeline.explain.priors import FOUND_BY_CHECK, UNNAMED, UNNAMED_ALIKE
from pipeline.explain.record import ROW, counted_up
from pipeline.explain.relations.charges import unread
from pipeline.explain.screen import Screened, screened
from pipeline.explain.search import is_likely, judged, values_meant
from pipeline.normalise.sample_table import places
from pipeline.problems import filled
from schemas.columns import ANALYTES
from schemas.tables import EXPLANATION_COLUMNS, PATTERN_COLUMNS

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Places
    from pipeline.checks.limits import Limits
    from pipeline.engine.engine import Engine
    from pipeline.explain.record import Record
    from pipeline.explain.wording import Columns
    from pipeline.normalise.sample_table import SampleTable

    Seen = dict[str, Flags]

QUESTION_COLUMNS: Final = ("sample_id", "question", "separates")
EQUAL: Final = 3.0  # times likelier: less is "equally well" (a Bayes factor not worth a mention [JEFFREYS])
_SUBJECTS: Final = {"ph": "pH", "tds": "dissolved solids"}
_PRINTED: Final = {"uS/cm": "µS/cm", "Cel": "°C", "[pH]": ""}
_TIMES_LIKELIER: Final = float(np.log(10.0))  # two mistakes must be that much likelier than any single one [JEFFREYS]
DETAILED: Final = 3  # explanations whose relations are laid out


@dataclass(frozen=True)
class Explained:
    """What may have happened to the records.

    Attributes
    ----------
    explanations : EXPLANATION_COLUMNS, by sample and rank; a record that agrees with itself has one row, `no-mistake`.
    relations : what the first explanations do to each relation; see `wording.relation_rows`.
    questions : `sample_id question separates` where two or more explain a record equally well.
    patterns : one mistake in the whole of a file, instrument or operator; see `patterns`.
    against : `relations past beyond`, index `sample_id`: what speaks against each sample as received; see
        `screen.Screened`.
    sources : the patterns as they raise the answers of other samples; None where nothing was weighed.
    alone : the same by each record alone, where the pattern of a file has raised some answers. Verdicts follow from it,
        because the rows of a file come in any portion; None where there is no such pattern.
    """

    explanations: pd.DataFrame
    relations: pd.DataFrame
    questions: pd.DataFrame
    patterns: pd.DataFrame
    against: pd.DataFrame = field(default_factory=pd.DataFrame)
    sources: Patterns | None = None
    alone: Explained | None = None


def explain(
    samples: SampleTable,
    findings: pd.DataFrame,
    limits: Limits,
    only: npt.NDArray[np.bool_] | None = None,
    screen: Screened | None = None,
    patterns: Patterns | None = None,
    engine: Engine = HERE,
) -> Explained:
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
    Explained. Nothing in ``samples`` is changed, and no candidate is ever applied.

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
    >>> found.explanations.loc[0, ["mistake", "analyte", "detail"]].tolist()
    ['wrong-unit', 'conductivity', 'mS/cm']
    """
    screen = screened(samples, limits) if screen is None else screen
    record, past = screen.record, screen.past
    chosen = np.arange(len(record)) if only is None else np.flatnonzero(only)
    speaks = {"relations": screen.relations, "past": screen.far, "beyond": screen.beyond}
    against = pd.DataFrame({name: values[chosen] for name, values in speaks.items()}, record.index[chosen])
    if not chosen.size:
        nothing = _laid({name: np.zeros(0) for name in EXPLANATION_COLUMNS})
        return Explained(nothing, _no_relations(), _no_questions(), _no_patterns(), against)
    at = places(record.index, findings["sample_id"])
    seen = {**seen_by_checks(findings, at, len(record)), "history": past.samples > 0}
    part, part_past = record.take(chosen), past.take(chosen)
    of_part = {name: flags[chosen] for name, flags in seen.items()}
    doubted = held_by_checks(findings, at, len(record))
    whole = source_samples(samples, screen, doubted)[chosen]
    weighed = judged(part, part_past, of_part, _is_single(), whole, engine)
    of_sources = weighed[whole[weighed["sample"]]].sort_values(["sample", "candidate"], ignore_index=True)
    weighed = weighed.drop(columns=["log_fit", "log_usual"])  # which only sources are judged by
    weighed = _with_two_mistakes(weighed, part, part_past, of_part, engine)
    if patterns is None:
        patterns = of_files(samples, screen, seen, (chosen, of_sources), doubted)

    def ranked(of: Patterns, known: pd.DataFrame) -> pd.DataFrame:
        own = ranked_answers(answers_of(of.raised(known, chosen)), doubted[chosen])
        received, meant = values_meant(part, own["sample"].to_numpy(), own["candidate"].to_numpy())
        return own.assign(value_from=received, value_to=meant)

    def told(of: Patterns, known: pd.DataFrame) -> Explained:
        own = ranked(of, known)
        pairs = of_pairs(samples, record, own, chosen, limits)
        moved = np.flatnonzero(pairs.exchanged()[chosen])
        if moved.size:
            own = ranked(of, _without_history(known, part, part_past, of_part, moved))
            pairs = of_pairs(samples, record, own, chosen, limits)
        worded = _worded(own, part, (part_past, pairs.rows(record.index)), of.covers(own, chosen))
        return replace(worded, patterns=patterns.table, against=against, sources=patterns)

    alone = told(Patterns(patterns.table, {}), weighed)
    untitrated = _of_no_titration(weighed, part, samples.once(summed_hardness)[chosen])
    if not patterns.covered and not untitrated.any():
        return alone
    return replace(told(patterns, weighed[~untitrated]), alone=alone)


def _with_two_mistakes(
    weighed: pd.DataFrame, record: Record, past: ranges.PastReadings, seen: Seen, engine: Engine
) -> pd.DataFrame:
    """Weigh two mistakes at once in the samples that none explains; a pair must be ten times likelier than any.

    Only what is likely is left.
    """
    at = unexplained(weighed, len(record))
    pairs = weighed.iloc[:0]
    if at.size:
        nobody = np.zeros(at.size, dtype="bool")
        flags = {name: flag[at] for name, flag in seen.items()}
        pairs = judged(record.take(at), past.take(at), flags, ~_is_single() | _is("no-mistake"), nobody, engine)
        pairs = pairs.assign(sample=at[pairs["sample"].to_numpy()])[~_is_single()[pairs["candidate"].to_numpy()]]
        pairs = pairs[pairs["log_posterior"] >= best_named(weighed, len(record))[pairs["sample"]] + _TIMES_LIKELIER]
    return _joined(weighed, pairs)


def _joined(weighed: pd.DataFrame, more: pd.DataFrame) -> pd.DataFrame:
    """Put what is likely of both together, by sample; ``weighed`` is emptied, for it may be a large part of the memory.

    The order matters to the last digit of the sums that are made of it.
    """
    columns = weighed.columns.tolist()
    keys = {name: np.append(weighed[name], more[name]) for name in ("sample", "candidate", "log_posterior")}
    order = np.argsort(keys["sample"], kind="stable")
    order = order[is_likely(keys)[order]]
    del keys
    return pd.DataFrame({name: np.append(weighed.pop(name), more[name])[order] for name in columns}, copy=False)


@cache
def _is_single() -> Flags:
    return ~_is(TWO)


def _of_no_titration(weighed: pd.DataFrame, record: Record, summed: Flags) -> Flags:
    """Tell the mistakes of a titration in (n,) ``summed`` samples, whose source adds calcium and magnesium up.

    A mistake with the sum, once it was made, would leave the very sum.
    """
    candidate, sample = weighed["candidate"].to_numpy(dtype="int64"), weighed["sample"].to_numpy(dtype="int64")
    flags = summed[sample] & (every("row") == ROW["total_hardness"])[candidate] & ~without_name()[candidate]
    at = np.flatnonzero(flags)
    _, meant = values_meant(record, sample[at], candidate[at])
    calcium, magnesium = (record.amounts[ROW[name], sample[at]] for name in ("calcium", "magnesium"))
    written = record.written[ROW["total_hardness"], sample[at]]
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.abs(meant / (CACO3_PER_CALCIUM * calcium + CACO3_PER_MAGNESIUM * magnesium) - 1.0)
        flags[at] = off > AS_SUM + half_digit(written) / written
    return np.asarray(flags, dtype="bool")


def _without_history(
    weighed: pd.DataFrame, record: Record, past: ranges.PastReadings, seen: Seen, moved: Places
) -> pd.DataFrame:
    """Weigh the samples with exchanged labels again: what stands at the wrong point has no history there."""
    flags = {name: flag[moved] for name, flag in seen.items()} | {"history": np.zeros(moved.size, dtype="bool")}
    nobody = np.zeros(moved.size, dtype="bool")
    again = judged(record.take(moved), past.take(moved).none(), flags, _is_single(), nobody)
    kept = weighed[~weighed["sample"].isin(moved)]
    return _joined(kept, again.assign(sample=moved[again["sample"].to_numpy()]))


@cache
def _is(mistake: str) -> npt.NDArray[np.bool_]:
    return np.asarray(every("mistake") == mistake)


def _worded(
    own: pd.DataFrame,
    record: Record,
    around: tuple[ranges.PastReadings, Columns],
    pattern: Flags,
) -> Explained:
    """Put everything into words and tables; ``pattern``: what a file shares, ``around``: history and pairs."""
    past, pairs = around
    sample, candidate, rank = (own[name].to_numpy() for name in ("sample", "candidate", "rank"))
    told = _facts(candidate, np.where(_is(MISSING)[candidate], unread(record.amounts)[sample], ""))
    told |= {name: own[name].to_numpy() for name in ("rank", "probability", "value_from", "value_to")}
    told["sample_id"] = np.asarray(record.index[sample], dtype=object)
    some = np.flatnonzero((rank <= DETAILED) & ~np.isin(told["mistake"], ("no-mistake", UNNAMED)))
    rows = wording.relation_rows(record, sample[some], candidate[some])
    words = wording.of_states(candidate, sample, record, past)
    sentences = wording.evidence(rows, some.size)
    words[some] = np.where(sentences != "", sentences, words[some])
    told["evidence"] = _with_fallback(told, words, _has_past(past, sample, told["analyte"]))
    gap = np.flatnonzero(_is(MISSING)[candidate])
    told["evidence"][gap] = wording.of_gaps(told["value_to"][gap], told["analyte"][gap]).to_pylist()
    told["evidence"][_is(FOUND_BY_CHECK)[candidate]] = "found by the check above"
    told["title"] = wording.titles(told, "title")
    told["pattern"] = pattern
    told = _with_pairs(told, pairs)
    return Explained(
        explanations=_laid(told),
        relations=wording.relation_table(rows, record.index[sample[some]], rank[some]),
        questions=_questions(told),
        patterns=_no_patterns(),
    )


@cache
def _told_as() -> npt.NDArray[np.str_]:
    """Give the mistake that each candidate is told as: of two the first."""
    names = [one.parts[0].mistake if one.parts else one.mistake for one in catalogue()]
    return np.array([UNNAMED if name in UNNAMED_ALIKE else name for name in names])


def _facts(candidate: Places, ion: npt.NDArray[np.str_]) -> Columns:
    """Name what each explanation is about; ``ion`` is the one nobody measured, "" where none or more than one."""
    missing = _is(MISSING)[candidate]
    units = np.array([ANALYTES[code].unit if code in ANALYTES else "" for code in every("analyte")])
    return {
        "mistake": _told_as()[candidate],
        "analyte": np.where(ion != "", ion, every("analyte")[candidate]),
        "other_analyte": every("other")[candidate],
        "detail": np.where(ion != "", np.char.replace(ion, "_", " "), every("detail")[candidate]),
        "unit": np.where(missing, "meq/L", units[candidate]),
    }


def _with_fallback(told: Columns, words: npt.NDArray[np.object_], past: Flags) -> npt.NDArray[np.object_]:
    """Say something where no relation moved: the value itself, or that all agrees; ``past``: its point has one."""
    received, meant = told["value_from"], told["value_to"]
    changed = (received != meant) & ~np.isnan(meant)
    unnamed = told["mistake"] == UNNAMED
    moved = np.flatnonzero((words == "") & changed & ~unnamed)
    units = pa.array([_PRINTED.get(unit, unit) for unit in told["unit"][moved].tolist()], pa.string())
    values = {"before": wording.four_digits(received[moved]), "after": wording.four_digits(meant[moved]), "unit": units}
    value = pc.utf8_rtrim_whitespace(filled("{before} to {after} {unit}", values))
    one, alone = np.flatnonzero(unnamed & changed), np.flatnonzero(unnamed & ~changed & (told["analyte"] != ""))
    subject = [_SUBJECTS.get(name, name.replace("_", " ")) for name in told["analyte"].tolist()]
    out = {
        "subject": pa.array([subject[row] for row in one], pa.string()),
        "value": wording.four_digits(meant[one]),
    }
    words = np.where(unnamed, "several readings would have to change", words)
    basis = np.where(past[moved], "the past of this point supports this", "only the usual range supports this")
    words[moved] = filled("{value}: {basis}", {"value": value, "basis": pa.array(basis, pa.string())}).to_pylist()
    words[one] = filled("{subject} stands out most: about {value} would fit", out).to_pylist()
    words[alone] = [f"{subject[row]} stands out most" for row in alone]
    words[told["mistake"] == "no-mistake"] = "all relations as received"
    return words


def _has_past(past: ranges.PastReadings, sample: Places, analyte: npt.NDArray[np.str_]) -> Flags:
    """Tell where the point of a sample says what the quantity in question usually is."""
    known = np.zeros(sample.size, dtype="bool")
    for name in ranges.HISTORY:
        known |= (analyte == name) & ~np.isnan(past.centre[name][sample])
    return known


def _with_pairs(told: Columns, pairs: Columns) -> Columns:
    """Add what was found about before and after: behind a likely mistake of the sample's own, before "no mistake"."""
    if not pairs["sample_id"].size:
        return told
    joined = {name: np.append(told[name], pairs[name]) for name in EXPLANATION_COLUMNS}
    _, sample = np.unique(joined["sample_id"], return_inverse=True)
    nothing = np.isin(joined["mistake"], ("no-mistake", UNNAMED))
    paired = np.isin(sample, sample[told["sample_id"].size :])
    order = np.where(nothing & paired, 2, np.where(joined["probability"] >= ENOUGH, 0, 1))
    at = np.lexsort((-joined["probability"], order, sample))
    return {**{name: values[at] for name, values in joined.items()}, "rank": counted_up(sample[at]) + 1}


def _laid(told: Columns) -> pd.DataFrame:
    """Lay the explanations out as a frame."""
    return pd.DataFrame({name: pd.Series(told[name], dtype=kind) for name, kind in _kinds().items()})


def _questions(told: Columns) -> pd.DataFrame:
    """Ask what would separate explanations that fit equally well."""
    named = np.flatnonzero(~np.isin(told["mistake"], ("no-mistake", UNNAMED, *PAIR_ANSWERS)))
    _, sample = np.unique(told["sample_id"][named], return_inverse=True)
    likely = told["probability"][named]
    best = np.zeros(sample.max(initial=-1) + 1)
    np.maximum.at(best, sample, likely)
    equal = likely >= best[sample] / EQUAL
    several = equal & (np.bincount(sample[equal], minlength=best.size) > 1)[sample]
    rows = {name: values[named[several]] for name, values in told.items()}
    owners = rows["sample_id"].tolist()
    asked = list(dict.fromkeys(zip(owners, wording.titles(rows, "question").tolist(), strict=True)))
    together: dict[str, list[str]] = {}
    for owner, title in zip(owners, rows["title"].tolist(), strict=True):
        together.setdefault(owner, []).append(title)
    questions = [(owner, question, "; ".join(together[owner])) for owner, question in asked]
    return pd.DataFrame(questions, columns=list(QUESTION_COLUMNS), dtype="str")


def _kinds() -> dict[str, str]:
    """Give the kind of every column of the explanations."""
    numbers = {"probability", "value_from", "value_to"}
    kinds = {name: "float64" if name in numbers else "str" for name in EXPLANATION_COLUMNS}
    return kinds | {"rank": "int64", "pattern": "bool"}


def _no_relations() -> pd.DataFrame:
    words = {"sample_id", "relation", "unit"}
    kinds = {name: "str" if name in words else "float64" for name in wording.RELATION_COLUMNS}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def _no_questions() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype="str") for name in QUESTION_COLUMNS})


def _no_patterns() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype="str") for name in PATTERN_COLUMNS})
