"""What may have happened, put into words and laid out as tables."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.explain import ranges, wording
from pipeline.explain.answers import ENOUGH
from pipeline.explain.check_evidence import MISSING
from pipeline.explain.mistakes.catalogue import catalogue, every
from pipeline.explain.pairs import PAIR_ANSWERS
from pipeline.explain.priors import FOUND_BY_CHECK, UNNAMED, UNNAMED_ALIKE
from pipeline.explain.record import counted_up
from pipeline.explain.relations.charges import unread
from pipeline.problems import filled
from schemas.columns import ANALYTES
from schemas.tables import EXPLANATION_COLUMNS

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Places
    from pipeline.explain.record import Record
    from pipeline.explain.wording import Columns

QUESTION_COLUMNS: Final = ("sample_id", "question", "separates")
EQUAL: Final = 3.0  # times likelier: less is "equally well" (a Bayes factor not worth a mention [JEFFREYS])
_SUBJECTS: Final = {"ph": "pH", "tds": "dissolved solids"}
_PRINTED: Final = {"uS/cm": "µS/cm", "Cel": "°C", "[pH]": ""}
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
    """

    explanations: pd.DataFrame
    relations: pd.DataFrame
    questions: pd.DataFrame
    patterns: pd.DataFrame


def cause_tables(
    own: pd.DataFrame,
    record: Record,
    around: tuple[ranges.PastReadings, Columns],
    pattern: Flags,
    patterns: pd.DataFrame,
) -> Explained:
    """Put answers into words and tables.

    Parameters
    ----------
    own : (a,) `weighing.ANSWER_COLUMNS`.
    record : all samples.
    around : their history, and the answers of their pairs.
    pattern : (a,) what a file shares.
    patterns : of whole sources.
    """
    past, pairs = around
    sample, candidate, rank = (own[name].to_numpy() for name in ("sample", "candidate", "rank"))
    told = _facts(candidate, np.where(_is(MISSING)[candidate], unread(record.amounts)[sample], ""))
    told |= {name: own[name].to_numpy() for name in ("rank", "probability", "value_from", "value_to")}
    told |= {"sample": sample, "sample_id": np.asarray(record.index[sample], dtype=object)}
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
        patterns=patterns,
    )


@cache
def _is(mistake: str) -> npt.NDArray[np.bool_]:
    return np.asarray(every("mistake") == mistake)


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
        "detail": np.where(ion != "", np.char.replace(np.append(ion, ""), "_", " ")[:-1], every("detail")[candidate]),
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
    if not pairs["sample"].size:
        return told
    joined = {name: np.append(told[name], pairs[name]) for name in ("sample", *EXPLANATION_COLUMNS)}
    sample = joined["sample"]
    nothing = np.isin(joined["mistake"], ("no-mistake", UNNAMED))
    paired = np.isin(sample, pairs["sample"])
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
