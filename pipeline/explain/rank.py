"""Which single mistake explains a record best: posterior probabilities, evidence and questions."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.explain import ranges, wording
from pipeline.explain.mistakes import catalogue
from pipeline.explain.pairs import NO_PAIRS, PAIR_ANSWERS, PairAnswers, of_pairs
from pipeline.explain.patterns import PATTERN_COLUMNS, Patterns, of_files
from pipeline.explain.priors import UNNAMED
from pipeline.explain.record import read
from pipeline.explain.relations import unread
from pipeline.explain.search import judged, seen_by_checks
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.checks.limits import Limits
    from pipeline.explain.record import Record
    from pipeline.normalise.sample_table import SampleTable

EXPLANATION_COLUMNS: Final = (
    "sample_id",
    "rank",
    "mistake",
    "analyte",
    "other_analyte",
    "detail",
    "probability",
    "evidence",
    "title",
    "value_from",
    "value_to",
    "unit",
    "pattern",
)
QUESTION_COLUMNS: Final = ("sample_id", "question", "separates")
MOST: Final = 6  # explanations told per sample
LEAST: Final = 0.01  # probability below which an explanation is not told
ENOUGH: Final = 0.5  # probability of no mistake from which nothing is explained, if the record agrees within 95 %
SURE: Final = 0.9  # the same, however it agrees
EQUAL: Final = 3.0  # times likelier: less is "equally well" (a Bayes factor not worth a mention [JEFFREYS])
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


def explain(
    samples: SampleTable,
    findings: pd.DataFrame,
    limits: Limits,
    only: npt.NDArray[np.bool_] | None = None,
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
    record = read(samples)
    chosen = np.arange(len(record)) if only is None else np.flatnonzero(only)
    if not chosen.size:
        return Explained(_none(), _no_relations(), _no_questions(), _no_patterns())
    past = ranges.history(samples, record)
    seen = {**seen_by_checks(findings, record.index), "history": past.samples > 0}
    part, part_past = record.take(chosen), past.take(chosen)
    of_part = {name: flags[chosen] for name, flags in seen.items()}
    weighed = judged(part, part_past, of_part)
    patterns = of_files(samples, record, past, seen, chosen)
    doubted = _doubted(findings, part.index)
    own = _ranked(_answers(patterns.raised(weighed)), part, doubted)
    pair_rows = of_pairs(samples, record, own, limits) if len(record) > 1 else NO_PAIRS
    moved = np.flatnonzero(pair_rows.exchanged(part.index))
    if moved.size:
        weighed = _without_history(weighed, part, part_past, of_part, moved)
        own = _ranked(_answers(patterns.raised(weighed)), part, doubted)
        pair_rows = of_pairs(samples, record, own, limits)
    return _worded(own, part, (part_past, pair_rows), patterns)


def _without_history(
    weighed: pd.DataFrame,
    record: Record,
    past: ranges.History,
    seen: dict[str, npt.NDArray[np.bool_]],
    moved: npt.NDArray[np.int64],
) -> pd.DataFrame:
    """Weigh the samples with exchanged labels again: what stands at the wrong point has no history there."""
    flags = {name: flag[moved] for name, flag in seen.items()} | {"history": np.zeros(moved.size, dtype="bool")}
    again = judged(record.take(moved), past.take(moved).none(), flags)
    kept = weighed[~weighed["sample"].isin(moved)]
    joined = pd.concat([kept, again.assign(sample=moved[again["sample"].to_numpy()])], ignore_index=True)
    return joined.sort_values(["sample", "candidate"], kind="stable", ignore_index=True)


@cache
def answer_codes() -> npt.NDArray[np.int64]:
    """Give the place in the catalogue that stands for each candidate's answer: steps of one unknown are one answer."""
    keys: dict[tuple[str, str], int] = {}
    codes = []
    for place, one in enumerate(catalogue()):
        unnamed = one.mistake in (UNNAMED, "several-mistakes")
        group = (
            (UNNAMED, "")
            if unnamed
            else ("missing-ion", one.detail)
            if one.mistake == "missing-ion"
            else ("", str(place))
        )
        codes.append(keys.setdefault(group, place))
    return np.array(codes)


def _answers(weighed: pd.DataFrame) -> pd.DataFrame:
    """Turn log posteriors into probabilities, one row per sample and answer; the likeliest step stands for it."""
    top = weighed.groupby("sample")["log_posterior"].transform("max").to_numpy()
    weight = np.exp(weighed["log_posterior"].to_numpy() - top)
    share = weight / pd.Series(weight).groupby(weighed["sample"].to_numpy()).transform("sum").to_numpy()
    table = weighed.assign(probability=share, answer=answer_codes()[weighed["candidate"].to_numpy()])
    table = table.sort_values(["sample", "answer", "probability"], ascending=[True, True, False], kind="stable")
    total = table.groupby(["sample", "answer"], sort=False)["probability"].sum()
    mean = (table["value_to"] * table["probability"]).groupby([table["sample"], table["answer"]], sort=False).sum()
    first = table.drop_duplicates(["sample", "answer"]).reset_index(drop=True)
    several = (
        first["answer"].isin(np.flatnonzero(np.bincount(answer_codes(), minlength=len(catalogue())) > 1)).to_numpy()
    )
    ion = several & ~np.isnan(first["value_to"].to_numpy()) & _is("missing-ion")[first["candidate"].to_numpy()]
    likely = np.maximum(total.to_numpy(), np.finfo("float64").tiny)
    value = np.where(ion, mean.to_numpy() / likely, first["value_to"].to_numpy())
    return first.assign(probability=total.clip(upper=1.0).to_numpy(), value_to=value)


@cache
def _is(mistake: str) -> npt.NDArray[np.bool_]:
    return np.array([one.mistake == mistake for one in catalogue()])


def _doubted(findings: pd.DataFrame, index: pd.Index) -> npt.NDArray[np.bool_]:
    """Tell the samples a check holds: a person looks at them, and wants to know what comes next to no mistake."""
    if "severity" not in findings:
        return np.zeros(len(index), dtype="bool")
    held = findings["severity"].isin(["hold", "reject"])
    return np.asarray(index.isin(findings.loc[held, "sample_id"]), dtype="bool")


def _ranked(answers: pd.DataFrame, record: Record, doubted: npt.NDArray[np.bool_]) -> pd.DataFrame:
    """Rank the answers of every sample and keep those that are told; all of them where a check holds it."""
    size = answers["sample"].max() + 1
    calm = np.zeros(size, dtype="bool")
    nothing = answers[answers["answer"] == 0]
    likely = nothing["probability"].to_numpy()
    agrees = nothing["misfit"].to_numpy() <= _within(nothing["relations"].to_numpy())
    calm[nothing["sample"].to_numpy()] = (likely >= ENOUGH) & (agrees | (likely >= SURE))
    calm &= ~doubted[:size]
    is_nothing = (answers["answer"] == 0).to_numpy()
    always = is_nothing | _is(UNNAMED)[answers["answer"].to_numpy()]
    table = answers.sort_values(["sample", "probability"], ascending=[True, False], kind="stable")
    order = table.groupby("sample").cumcount().to_numpy()
    told = always[table.index] | ((order < MOST) & (table["probability"].to_numpy() >= LEAST))
    told &= ~calm[table["sample"].to_numpy()] | is_nothing[table.index]
    table = table[told].reset_index(drop=True)
    ranked: pd.DataFrame = table.assign(
        rank=table.groupby("sample").cumcount() + 1, sample_id=record.index[table["sample"]]
    )
    return ranked


def _within(relations: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Give the misfit that 95 % of records without a mistake stay below: chi-square [WILSON1931]."""
    number = np.maximum(relations, 1.0)
    return np.asarray(number * (1.0 - 2.0 / (9.0 * number) + 1.645 * np.sqrt(2.0 / (9.0 * number))) ** 3)


def _worded(
    own: pd.DataFrame, record: Record, around: tuple[ranges.History, PairAnswers], patterns: Patterns
) -> Explained:
    """Put everything into words and tables; ``around`` is what history and pairs say."""
    past, pairs = around
    known = pd.DataFrame(
        [(one.mistake, one.analyte, one.other, one.detail, one.row) for one in catalogue()],
        columns=["mistake", "analyte", "other_analyte", "detail", "row"],
    )
    known["mistake"] = known["mistake"].replace("several-mistakes", UNNAMED)
    facts = known.iloc[own["candidate"].to_numpy()].reset_index(drop=True)
    ion = np.where(facts["mistake"] == "missing-ion", unread(record.amounts[:, own["sample"].to_numpy()]), "")
    facts = facts.assign(
        analyte=facts["analyte"].mask(ion != "", pd.Series(ion, dtype="str")),
        detail=facts["detail"].mask(ion != "", pd.Series(ion, dtype="str").str.replace("_", " ")),
    )
    table = pd.concat([own, facts], axis=1)
    named = ~table["mistake"].isin(["no-mistake", UNNAMED]).to_numpy()
    detailed = table["rank"].le(DETAILED).to_numpy() & named
    some = table[detailed]
    rows = wording.relation_rows(
        record, some["sample"].to_numpy(), some["rank"].to_numpy(), some["candidate"].to_numpy()
    )
    sentence = np.full(len(table), "", dtype=object)
    sentence[detailed] = wording.evidence(rows, len(some)).to_numpy(dtype=object)
    table["unit"] = table["analyte"].map({code: analyte.unit for code, analyte in ANALYTES.items()}).fillna("")
    table.loc[table["mistake"] == "missing-ion", "unit"] = "meq/L"
    states = wording.of_states(table, record, past)
    table["evidence"] = _with_fallback(table, states.mask(sentence != "", pd.Series(sentence, dtype="str")))
    table["title"] = wording.titles(table, "title")
    table["pattern"] = patterns.covers(table)
    table = _with_pairs(table, pairs)
    explanations = table[list(EXPLANATION_COLUMNS)].reset_index(drop=True)
    return Explained(
        explanations=explanations,
        relations=rows[list(wording.RELATION_COLUMNS)].reset_index(drop=True),
        questions=_questions(explanations),
        patterns=patterns.table,
    )


def _with_fallback(table: pd.DataFrame, words: pd.Series) -> pd.Series:
    """Say something where no relation moved: the value itself, or that all agrees."""
    empty = (words == "").to_numpy()
    moved = empty & (table["value_from"] != table["value_to"]).to_numpy() & table["value_to"].notna().to_numpy()
    value = (
        wording.figures(table["value_from"])
        + " to "
        + wording.figures(table["value_to"])
        + " "
        + table["unit"].map(_PRINTED).fillna(table["unit"])
    )
    words = words.mask(moved, value.str.rstrip() + ": the usual range decides, no relation does")
    unnamed = (table["mistake"] == UNNAMED).to_numpy()
    one = unnamed & table["value_to"].notna().to_numpy() & (table["value_from"] != table["value_to"]).to_numpy()
    alone = unnamed & ~one & (table["analyte"] != "").to_numpy()
    subject = table["analyte"].str.replace("_", " ").replace("ph", "pH").replace("tds", "dissolved solids")
    words = words.mask(one, subject + " stands out most: about " + wording.figures(table["value_to"]) + " would fit")
    words = words.mask(alone, subject + " stands out most")
    words = words.mask(unnamed & ~one & ~alone, "several readings would have to change")
    return words.mask((table["mistake"] == "no-mistake").to_numpy(), "all relations as received")


def _with_pairs(table: pd.DataFrame, pairs: PairAnswers) -> pd.DataFrame:
    """Add what was found about before and after: behind a likely mistake of the sample's own, before "no mistake"."""
    if pairs.table.empty:
        return table
    joined = pd.concat([table, pairs.table], ignore_index=True)
    nothing = joined["mistake"].isin(["no-mistake", UNNAMED]) & (joined["scope"].isna() if "scope" in joined else True)
    likely = joined["probability"].to_numpy()
    paired = joined["sample_id"].isin(set(pairs.table["sample_id"]))
    order = np.where(nothing & paired, 2, np.where(likely >= ENOUGH, 0, 1))
    joined = joined.assign(order=order).sort_values(
        ["sample_id", "order", "probability"], ascending=[True, True, False]
    )
    joined["rank"] = joined.groupby("sample_id").cumcount() + 1
    return joined


def _questions(explanations: pd.DataFrame) -> pd.DataFrame:
    """Ask what would separate explanations that fit equally well."""
    named = explanations[~explanations["mistake"].isin(["no-mistake", UNNAMED, *PAIR_ANSWERS])]
    best = named.groupby("sample_id")["probability"].transform("max")
    equal = named[named["probability"] >= best / EQUAL]
    equal = equal[equal.groupby("sample_id")["rank"].transform("size") > 1]
    if equal.empty:
        return _no_questions()
    asked = pd.DataFrame(
        {"sample_id": equal["sample_id"], "question": wording.titles(equal, "question"), "title": equal["title"]}
    )
    together = asked.groupby("sample_id", sort=False)["title"].agg("; ".join)
    first = asked.drop_duplicates(["sample_id", "question"])
    return pd.DataFrame(
        {
            "sample_id": first["sample_id"],
            "question": first["question"],
            "separates": first["sample_id"].map(together),
        }
    ).reset_index(drop=True)


def _none() -> pd.DataFrame:
    numbers = {"probability", "value_from", "value_to"}
    kinds = {name: "float64" if name in numbers else "str" for name in EXPLANATION_COLUMNS}
    kinds |= {"rank": "int64", "pattern": "bool"}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def _no_relations() -> pd.DataFrame:
    words = {"sample_id", "relation", "unit"}
    kinds = {name: "str" if name in words else "float64" for name in wording.RELATION_COLUMNS}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def _no_questions() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype="str") for name in QUESTION_COLUMNS})


def _no_patterns() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype="str") for name in PATTERN_COLUMNS})
