"""The evidence in words and numbers: what each explanation does to the relations of its record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ, MOLAR_MASS
from pipeline.explain import relations
from pipeline.explain.mistakes import titrations
from pipeline.explain.ranges import SHIFTED
from pipeline.explain.record import ROW, SECOND
from pipeline.explain.search import gaps
from pipeline.problems import fill
from pipeline.reference import table
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.explain.ranges import History
    from pipeline.explain.record import Floats, Places, Record

RELATION_COLUMNS: Final = (
    "sample_id",
    "rank",
    "relation",
    "observed",
    "observed_after",
    "before",
    "after",
    "uncertainty",
    "unit",
    "score_before",
    "score_after",
)
_ABOUT: Final = {  # the reading a relation is about
    "conductivity-from-ions": "conductivity",
    "dissolved-solids": "tds",
    "hardness-sum": "total_hardness",
    "calcium-hardness": "calcium_hardness",
    "calcium-share": "calcium",
    "alkalinity-forms": "alkalinity",
    **{f"second {name}": f"second {name}" for name in SECOND},
}
_CLAUSES: Final = {  # told by what the change moves: the expectation, or the reading itself
    "ion-balance": ("ion balance {before_text} % to {after_text} %",) * 2,
    "conductivity-from-ions": (
        "expected EC {before:0} to {after:0} against {observed:0} µS/cm measured",
        "conductivity {observed_text} to {observed_after_text} µS/cm against {after:0} expected",
    ),
    "dissolved-solids": (
        "expected dissolved solids {before:0} to {after:0} against {observed:0} mg/L read",
        "dissolved solids {observed_text} to {observed_after_text} mg/L against {after:0} expected",
    ),
    "hardness-sum": (
        "hardness of calcium and magnesium {before:1} to {after:1} against {observed:1} mg/L as CaCO3 read",
        "total hardness {observed:1} to {observed_after:1} against {after:1} mg/L as CaCO3 of calcium and magnesium",
    ),
    "calcium-hardness": (
        "hardness of calcium {before:1} to {after:1} against {observed:1} mg/L as CaCO3 read",
        "calcium hardness {observed:1} to {observed_after:1} against {after:1} mg/L as CaCO3 of calcium",
    ),
    "calcium-share": ("calcium as a share of hardness {share_before:2} to {share_after:2}",) * 2,
    "alkalinity-forms": (
        "alkalinity of the bicarbonate {before:1} to {after:1} against {observed:1} mg/L as CaCO3 read",
        "alkalinity {observed:1} to {observed_after:1} against {after:1} mg/L as CaCO3 of the bicarbonate",
    ),
    **{
        f"second {name}": (
            f"{ANALYTES[name].title.lower()} {{before:1}} to {{after:1}} against {{observed:1}} of the other reading",
            (
                f"{ANALYTES[name].title.lower()} {{observed:1}} to {{observed_after:1}} "
                "against {after:1} of the other reading"
            ),
        )
        for name in SECOND
    },
}
_TOLD: Final = 0.25  # standard deviations a relation must move to be told


def relation_rows(record: Record, sample: Places, rank: Places, candidate: Places) -> pd.DataFrame:
    """Tell what each chosen explanation does to every relation it touches.

    Parameters
    ----------
    record : all samples.
    sample, rank, candidate : (k,) the explanations.

    Returns
    -------
    RELATION_COLUMNS, `share_before share_after` and `place`, the explanation's place. `before` and `after` are what the
    other readings make of the one in `observed` (the charge balance itself in %); scores in standard deviations.
    """
    nothing = np.zeros(len(sample), dtype="int64")
    first, before = gaps(record, sample, nothing)
    then, after = gaps(record, sample, candidate)
    parts = []
    for name in relations.RELATIONS:
        old, new = before[name], after[name]
        z_old = _score(old, first.spread, record.spread[:, sample])
        z_new = _score(new, then.spread, then.spread)
        is_balance = name == "ion-balance"
        row = ROW[_ABOUT[name]] if not is_balance else 0
        blank = np.full(len(sample), np.nan)
        shown = record.half[row, sample]
        other = record.half[ROW[name.removeprefix("second ")], sample] if name.startswith("second ") else 0.0
        frame = pd.DataFrame(
            {
                "place": np.arange(len(sample)),
                "sample_id": record.index[sample],
                "rank": rank,
                "relation": name.replace(" ", "-"),
                "observed": blank if is_balance else first.amounts[row] + shown,
                "observed_after": blank if is_balance else then.amounts[row] + shown,
                "before": 100.0 * old.gap if is_balance else old.predicted + other,
                "after": 100.0 * new.gap if is_balance else new.predicted + other,
                "uncertainty": _uncertainty(new, then.spread, percent=is_balance),
                "unit": "%" if is_balance else ANALYTES[_ABOUT[name].removeprefix("second ")].unit,
                "score_before": z_old,
                "score_after": z_new,
            }
        )
        touched = (np.abs(z_old - z_new) >= _TOLD) | (np.abs(z_old) >= 2.0)  # noqa: PLR2004 -- k = 2 [JCGM100]
        frame["name"] = name
        frame["share_before"] = np.exp(old.gap) * relations.CALCIUM_SHARE[0]
        frame["share_after"] = np.exp(new.gap) * relations.CALCIUM_SHARE[0]
        parts.append(frame[touched & ~np.isnan(z_old) & ~np.isnan(z_new)])
    rows: pd.DataFrame = pd.concat(parts, ignore_index=True)
    return rows.sort_values(["place"], kind="stable", ignore_index=True)


def _sigma(relation: relations.Relation, spread: Floats) -> Floats:
    variance = np.nan_to_num(spread) ** 2
    own = sum(
        (np.nan_to_num(slope) ** 2 * variance[row] for row, slope in relation.slopes.items()), start=relation.model
    )
    return np.sqrt(own)


def _score(relation: relations.Relation, spread: Floats, received: Floats) -> Floats:
    """Gap in standard deviations, with the uncertainty of the readings and not of a loosened one."""
    return np.asarray(
        relation.gap / _sigma(relation, np.fmin(spread, np.fmax(received, spread * 0.2))), dtype="float64"
    )


def _uncertainty(relation: relations.Relation, spread: Floats, *, percent: bool) -> Floats:
    """Give the expanded uncertainty (k = 2) of a relation, in its unit."""
    scale = 100.0 if percent else relation.predicted
    return np.asarray(2.0 * _sigma(relation, spread) * scale, dtype="float64")


def evidence(rows: pd.DataFrame, size: int) -> pd.Series:
    """Join what is told of each explanation's relations to one sentence; "" where nothing moved.

    Parameters
    ----------
    rows : of `relation_rows`.
    size : number of explanations.
    """
    joined = np.full(size, "", dtype=object)
    moved = rows[(rows["score_before"] - rows["score_after"]).abs() >= _TOLD]
    for name, clauses in _CLAUSES.items():
        part = moved[moved["name"] == name]
        if part.empty:
            continue
        own = (part["observed"] - part["observed_after"]).abs() > 1e-9 * part["observed"].abs()
        for clause, chosen in ((clauses[0], part[~own]), (clauses[1], part[own])):
            if len(chosen):
                texts = {
                    "before_text": signed(chosen["before"]),
                    "after_text": signed(chosen["after"]),
                    "observed_text": figures(chosen["observed"]),
                    "observed_after_text": figures(chosen["observed_after"]),
                }
                places = chosen["place"].to_numpy()
                words = fill(clause, chosen.reset_index(drop=True), texts).to_numpy(dtype=object)
                joined[places] = np.where(joined[places] == "", words, joined[places] + ", " + words)
    return pd.Series(joined, dtype="str")


def of_states(table: pd.DataFrame, record: Record, past: History) -> pd.Series:
    """Give the evidence for what is true and looks like a mistake, and for what a check saw; "" for all else.

    Parameters
    ----------
    table : `mistake sample`, one row per explanation.
    record, past : the samples, and the history of their sites.
    """
    at = table["sample"].to_numpy()
    hardness, alkalinity = titrations(record.amounts[:, at])
    need = np.maximum(alkalinity - hardness, 0.0) * MOLAR_MASS["sodium"] / MG_CACO3_PER_MEQ
    numbers = pd.DataFrame({"hardness": hardness, "alkalinity": alkalinity, "need": need})
    exchanged = fill(
        "alkalinity {alkalinity:1} exceeds hardness {hardness:1} mg/L as CaCO3; sodium of at least {need:0} mg/L "
        "carries the rest",
        numbers,
    )
    words = pd.Series("", index=table.index, dtype="str")
    words = words.mask(table["mistake"].isin(["softened-water", "soda-water"]), exchanged)
    moved = np.full(len(table), "", dtype=object)
    for name in SHIFTED:
        usual = np.exp(past.centre[name][at])
        known = ~np.isnan(usual) & ~np.isnan(record.amounts[ROW[name], at])
        pair = pd.DataFrame({"now": record.amounts[ROW[name], at], "usual": usual})
        clause = fill(f"{ANALYTES[name].title.split(' at')[0].lower()} {{now:0}} where {{usual:0}} is usual", pair)
        moved = np.where(known, np.where(moved == "", clause, moved + ", " + clause), moved)
    words = words.mask(table["mistake"] == "source-change", pd.Series(moved, index=table.index, dtype="str"))
    return words.mask(table["mistake"].isin(["copied-reading", "instrument-fault"]), "a check found it in this record")


def figures(values: pd.Series) -> pd.Series:
    """Write numbers with four significant digits."""
    written = np.char.mod("%.4g", values.to_numpy(dtype="float64"))
    return pd.Series(written, dtype="str")


def signed(values: pd.Series) -> pd.Series:
    """Write numbers with one decimal and a true sign."""
    numbers = np.round(values.to_numpy(dtype="float64"), 1) + 0.0
    sign = np.where(numbers > 0, "+", np.where(numbers < 0, "−", ""))
    return pd.Series(np.char.add(sign, np.char.mod("%.1f", np.abs(numbers))), dtype="str")


def titles(found: pd.DataFrame, subject: str) -> pd.Series:
    """Word the `title` or `question` of every explanation; equal ones are worded once.

    Parameters
    ----------
    found : `mistake analyte other_analyte detail`.
    subject : column of the words: title or question.
    """
    words = table("explain_words").fillna("").set_index("mistake")[subject]
    keys = ["mistake", "analyte", "other_analyte", "detail"]
    distinct = found[keys].drop_duplicates().reset_index(drop=True)
    said = np.full(len(distinct), "", dtype=object)
    named = {name: _names(distinct[column]) for name, column in (("analyte", "analyte"), ("other", "other_analyte"))}
    for mistake in distinct["mistake"].unique():
        rows = np.flatnonzero((distinct["mistake"] == mistake).to_numpy())
        part = pd.DataFrame(
            {
                **{k: v.iloc[rows].to_numpy() for k, v in named.items()},
                "detail": distinct["detail"].iloc[rows].to_numpy(),
            }
        )
        said[rows] = fill(words[mistake], part).to_numpy(dtype=object)
    text = pd.Series(said, dtype="str").str.replace(r" \(\)|: (?=\?)|(?<=\S): \.$", "", regex=True)
    text = text.str.slice(0, 1).str.upper() + text.str.slice(1)
    worded = distinct.assign(text=text.str.replace("PH", "pH"))
    merged = found[keys].merge(worded, on=keys, how="left")
    return pd.Series(merged["text"].array, index=found.index, dtype="str")


def _names(codes: pd.Series) -> pd.Series:
    """Name quantities as people do."""
    words = {code: f"{a.title[0].lower()}{a.title[1:]}" if code != "ph" else "pH" for code, a in ANALYTES.items()}
    words["conductivity"], words["tds"] = "conductivity", "dissolved solids"
    return codes.map(words).fillna(codes)
