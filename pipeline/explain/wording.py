"""The evidence in words and numbers: what each explanation does to the relations of its record."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.chemistry.equivalents import CHARGE, MG_CACO3_PER_MEQ, MOLAR_MASS
from pipeline.explain.mistakes.catalogue import every
from pipeline.explain.mistakes.water import titrations
from pipeline.explain.ranges import SHIFTED
from pipeline.explain.record import ROW, SECOND
from pipeline.explain.relations.density import deviation
from pipeline.explain.relations.evaluate import RELATIONS
from pipeline.explain.relations.forms import CALCIUM_SHARE
from pipeline.explain.search import gaps, half_after
from pipeline.problems import filled
from pipeline.reference import table
from pipeline.texts import TextColumn
from pipeline.words import capitalised
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Floats, Places
    from pipeline.explain.ranges import PastReadings
    from pipeline.explain.record import Record

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
Columns: TypeAlias = "dict[str, npt.NDArray[Any]]"  # by name, of equal length
_BALANCE: Final = "ion-balance"  # the relation that is about no single reading
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
_EXCHANGED: Final = (
    "alkalinity {alkalinity:1} exceeds hardness {hardness:1} mg/L as CaCO3; sodium of at least {need:0} mg/L "
    "carries the rest"
)
_COMMA: Final = ", "
_MG_PER_MEQ: Final = {  # and the form it is told in
    **{ion: (MOLAR_MASS[ion] / abs(CHARGE[ion]), "") for ion in ("sodium", "chloride", "sulfate")},
    **dict.fromkeys(("alkalinity", "total_hardness"), (MG_CACO3_PER_MEQ, " as CaCO3")),
}
_UNSAID: Final = re.compile(r"^: | \(\)|: (?=\?)|(?<=\S): \.$")  # what a template leaves around an empty text
_TOLD: Final = 0.25  # standard deviations a relation must move to be told


def relation_rows(record: Record, sample: Places, candidate: Places) -> Columns:
    """Tell what each chosen explanation does to every relation it touches.

    Parameters
    ----------
    record : all samples.
    sample, candidate : (k,) the explanations.

    Returns
    -------
    columns, by explanation: its `place`, `relation` (place in RELATIONS), the numbers of RELATION_COLUMNS,
    `share_before share_after`. `before` and `after` are what the other readings make of the one in `observed` (the
    charge balance itself in %); scores in standard deviations.
    """
    read, first, before = gaps(record, sample, np.zeros_like(candidate))
    meant, then, after = gaps(record, sample, candidate)
    # Scores count the uncertainty of the readings and not of a loosened one.
    received = _variance(np.fmin(first, np.fmax(record.spread[:, sample], 0.2 * first)))
    changed = _variance(then)
    parts = []
    for number, name in enumerate(RELATIONS):
        old, new = before[name], after[name]
        sigma = deviation(new, changed)
        z_old, z_new = old.gap / deviation(old, received), new.gap / sigma
        columns = {
            "relation": np.full(len(sample), number),
            "uncertainty": 2.0 * sigma * (100.0 if name == _BALANCE else new.predicted),  # k = 2
            "score_before": z_old,
            "score_after": z_new,
            "share_before": np.exp(old.gap) * CALCIUM_SHARE[0],
            "share_after": np.exp(new.gap) * CALCIUM_SHARE[0],
        }
        if name == _BALANCE:
            blank = np.full(len(sample), np.nan)
            columns |= {"observed": blank, "observed_after": blank, "before": 100.0 * old.gap, "after": 100.0 * new.gap}
        else:
            row = ROW[_ABOUT[name]]
            shown = record.half[row, sample]
            other = record.half[ROW[name.removeprefix("second ")], sample] if name.startswith("second ") else 0.0
            rest = half_after(shown, read[row], meant[row], candidate)
            columns |= {"observed": read[row] + shown, "observed_after": meant[row] + rest}
            columns |= {"before": old.predicted + other, "after": new.predicted + other}
        touched = (np.abs(z_old - z_new) >= _TOLD) | (np.abs(z_old) >= 2.0)  # noqa: PLR2004 -- k = 2 [JCGM100]
        told = np.flatnonzero(touched & ~np.isnan(z_old) & ~np.isnan(z_new))
        parts.append({"place": told, **{column: values[told] for column, values in columns.items()}})
    rows = {column: np.concatenate([part[column] for part in parts]) for column in parts[0]}
    order = np.argsort(rows["place"], kind="stable")
    return {column: values[order] for column, values in rows.items()}


def relation_table(rows: Columns, owner: pd.Index, rank: Places) -> pd.DataFrame:
    """Lay the rows of `relation_rows` out as RELATION_COLUMNS; ``owner`` and ``rank`` are those of the explanations."""
    place, relation = rows["place"], rows["relation"]
    index = pd.RangeIndex(len(place))
    names = tuple(name.replace(" ", "-") for name in RELATIONS)
    units = tuple(
        "%" if name == _BALANCE else ANALYTES[_ABOUT[name].removeprefix("second ")].unit for name in RELATIONS
    )
    facts = {
        "sample_id": owner[place],
        "rank": rank[place],
        "relation": TextColumn(relation, names).series(index),
        "unit": TextColumn(relation, units).series(index),
    }
    return pd.DataFrame({name: facts[name] if name in facts else rows[name] for name in RELATION_COLUMNS}, index=index)


def _variance(spread: Floats) -> Floats:
    return np.nan_to_num(spread) ** 2


def evidence(rows: Columns, size: int) -> npt.NDArray[np.object_]:
    """Join what is told of each explanation's relations to one sentence; "" where nothing moved.

    Parameters
    ----------
    rows : of `relation_rows`.
    size : number of explanations.
    """
    moved = np.abs(rows["score_before"] - rows["score_after"]) >= _TOLD
    own = np.abs(rows["observed"] - rows["observed_after"]) > 1e-9 * np.abs(rows["observed"])
    told = []
    for name, clauses in _CLAUSES.items():
        about = moved & (rows["relation"] == RELATIONS.index(name))
        clause = np.full(size, None, dtype=object)
        for template, chosen in zip(clauses, (about & ~own, about & own), strict=True):
            if chosen.any():
                part = {column: values[chosen] for column, values in rows.items()}
                clause[part["place"]] = filled(template, {**part, **_texts(part)}).to_pylist()
        told.append(pa.array(clause, pa.string()))
    return texts(comma_joined(told))


def _texts(rows: Columns) -> dict[str, pa.Array]:
    return {
        "before_text": signed(rows["before"]),
        "after_text": signed(rows["after"]),
        "observed_text": four_digits(rows["observed"]),
        "observed_after_text": four_digits(rows["observed_after"]),
    }


def of_states(candidate: Places, sample: Places, record: Record, past: PastReadings) -> npt.NDArray[np.object_]:
    """Give the evidence for what is true and looks like a mistake, and for what a check saw; "" for all else.

    Parameters
    ----------
    candidate, sample : (k,) the explanations.
    record, past : the samples, and the history of their sites.
    """
    mistake = every("mistake")[candidate]
    words = np.full(len(candidate), "", dtype=object)
    words[np.isin(mistake, ("copied-reading", "instrument-fault"))] = "a check found it in this record"
    exchanged, moved = np.isin(mistake, ("softened-water", "soda-water")), mistake == "source-change"
    hardness, alkalinity = titrations(record.amounts[:, sample[exchanged]])
    need = np.maximum(alkalinity - hardness, 0.0) * MOLAR_MASS["sodium"] / MG_CACO3_PER_MEQ
    words[exchanged] = filled(_EXCHANGED, {"hardness": hardness, "alkalinity": alkalinity, "need": need}).to_pylist()
    at, clauses = sample[moved], []
    for name in SHIFTED:
        now, usual = record.amounts[ROW[name], at], np.exp(past.centre[name][at])
        clause = filled(
            f"{ANALYTES[name].title.split(' at')[0].lower()} {{now:0}} where {{usual:0}} is usual",
            {"now": now, "usual": usual},
        )
        clauses.append(pc.if_else(pa.array(~np.isnan(now + usual)), clause, None))
    words[moved] = comma_joined(clauses).to_pylist()
    return words


def of_gaps(lack: Floats, analyte: npt.NDArray[np.object_]) -> pa.Array:
    """Say how much of an ion that nobody measured would close the charges.

    Parameters
    ----------
    lack : (k,) meq/L.
    analyte : which quantity; "" where it may be any.
    """
    weight = np.array([_MG_PER_MEQ.get(str(name), (np.nan, ""))[0] for name in analyte])
    forms = pa.array([_MG_PER_MEQ.get(str(name), (np.nan, ""))[1] for name in analyte], pa.string())
    amounts = {"lack": np.char.mod("%.3g", lack), "mg": np.char.mod("%.3g", lack * weight)}
    words = {name: pa.array(texts_, pa.string()) for name, texts_ in amounts.items()}
    plain = filled("about {lack} meq/L of it would close the charges", words)
    named = filled("about {lack} meq/L of it ({mg} mg/L{form}) would close the charges", {**words, "form": forms})
    return pc.if_else(pa.array(~np.isnan(weight)), named, plain)


def comma_joined(clauses: list[pa.Array]) -> pa.Array:
    """Join the clauses of every row by commas; missing ones are left out."""
    led = [pc.fill_null(pc.binary_join_element_wise(_COMMA, clause, ""), "") for clause in clauses]
    return pc.utf8_slice_codeunits(pc.binary_join_element_wise(*led, ""), len(_COMMA))


def texts(column: pa.Array) -> npt.NDArray[np.object_]:
    """Take a column as Python texts."""
    return np.asarray(column.to_numpy(zero_copy_only=False), dtype=object)


def four_digits(values: Floats) -> pa.Array:
    """Write numbers with four significant digits."""
    return pa.array(np.char.mod("%.4g", values), pa.string())


def signed(values: Floats) -> pa.Array:
    """Write numbers with one decimal and a true sign."""
    numbers = np.round(values, 1) + 0.0
    sign = np.where(numbers > 0, "+", np.where(numbers < 0, "−", ""))
    return pa.array(np.char.add(sign, np.char.mod("%.1f", np.abs(numbers))), pa.string())


def titles(found: pd.DataFrame | Columns, subject: str) -> npt.NDArray[np.object_]:
    """Word the `title` or `question` of every explanation; equal ones are worded once.

    Parameters
    ----------
    found : `mistake analyte other_analyte detail`, columns of texts.
    subject : column of the words: title or question.
    """
    keys = list(
        zip(
            *(np.asarray(found[name]).tolist() for name in ("mistake", "analyte", "other_analyte", "detail")),
            strict=True,
        )
    )
    words = {key: _title(subject, *key) for key in set(keys)}
    return np.array([words[key] for key in keys], dtype=object)


def _title(subject: str, mistake: str, analyte: str, other: str, detail: str) -> str:
    """Word one explanation, without what there is nothing to say of."""
    named = {"analyte": _names().get(analyte, analyte), "other": _names().get(other, other), "detail": detail}
    text = _UNSAID.sub("", _templates(subject)[mistake].format(**named))
    return capitalised(text)


@cache
def _templates(subject: str) -> dict[str, str]:
    words = table("explain_words").fillna("")
    return dict(zip(words["mistake"], words[subject], strict=True))


@cache
def _names() -> dict[str, str]:
    """Name quantities as people do."""
    words = {code: f"{a.title[0].lower()}{a.title[1:]}" for code, a in ANALYTES.items()}
    return {**words, "ph": "pH", "conductivity": "conductivity", "tds": "dissolved solids"}
