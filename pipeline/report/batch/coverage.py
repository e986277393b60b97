"""How much of what stood in the files was used, and which columns wait for an answer of a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.checks.units import UnitLimits
from pipeline.problems import PROBLEMS, fill
from pipeline.report.sentences import question_said
from pipeline.texts import TextColumn, first_rows, numbered
from pipeline.words.labels import label_in
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Places
    from pipeline.report.batch.contents import Batch

_COLUMNS = ["file_sha256", "column", "problem", "cells", "question"]
_ASKED_BY = "ambiguous-unit"
_FORM = "form-ambiguous"  # of readings that are used all the same, on hold until the form is said


def waiting_columns(
    set_aside: pd.DataFrame, readings: pd.DataFrame, evidence: Mapping[tuple[str, str, str], str]
) -> pd.DataFrame:
    """List the columns whose cells wait for one answer: a unit, a form, the quantity of a heading, the worth of a drop.

    Parameters
    ----------
    set_aside : PROBLEM_COLUMNS.
    readings : accepted readings; those whose form is ambiguous wait as well, though they are used.
    evidence : (file, column, why it waits) → what the file itself says of the answer; it follows the question.

    Returns
    -------
    (n, 5) frame `file_sha256 column problem cells question`, in the order of the files; one row per question.
    """
    problem = TextColumn.from_series(set_aside["problem"])
    asking = [code for code, known in PROBLEMS.items() if known.question]
    parts = [_unread(set_aside[problem.isin(asking)]), _ambiguous(readings)]
    found = [part for part in parts if len(part)]
    if not found:
        return parts[0]
    asked = pd.concat(found, ignore_index=True)
    places = zip(*(asked[name].astype("str") for name in ("file_sha256", "column", "why")), strict=True)
    known = pd.Series([evidence.get(place, "") for place in places], index=asked.index, dtype="str")
    return asked.assign(question=(asked["question"] + " " + known).str.strip())[_COLUMNS]


def _unread(cells: pd.DataFrame) -> pd.DataFrame:
    """Put the cells of one column that wait for the same answer together."""
    first, count = _distinct(cells, "file_sha256", "problem", "column", "detail")
    asked = cells.iloc[first].reset_index(drop=True).assign(cells=count)
    questions = pd.Series("", index=asked.index, dtype="str")
    for code in asked["problem"].unique():
        mine = asked["problem"] == code
        questions[mine] = fill(PROBLEMS[str(code)].question, asked[mine].astype({"column": "str", "detail": "str"}))
    return asked.assign(question=questions, why=asked["detail"])[[*_COLUMNS, "why"]]


def _ambiguous(readings: pd.DataFrame) -> pd.DataFrame:
    """Put the readings of one column whose form has to be asked together."""
    if "ambiguous" not in readings or readings.empty:
        return pd.DataFrame()
    stated = TextColumn.from_series(readings["ambiguous"]).stated()
    noted = TextColumn.from_series(readings["analyte"]).isin(UnitLimits().only_noted)
    unclear = readings[stated & ~noted]
    first, count = _distinct(unclear, "file_sha256", "column", "analyte", "ambiguous")
    asked = unclear.iloc[first].reset_index(drop=True).assign(cells=count, problem=_FORM)
    title = asked["analyte"].astype("str").map({code: known.title for code, known in ANALYTES.items()})
    question = title + ": " + asked["ambiguous"].astype("str") + ". Which is meant?"
    return asked.assign(question=question, why=asked["ambiguous"])[[*_COLUMNS, "why"]]


def _distinct(frame: pd.DataFrame, *names: str) -> tuple[Places, Places]:
    """Find the first row of each distinct combination, in their order, and how many rows have it."""
    if frame.empty:
        return np.zeros(0, dtype="int64"), np.zeros(0, dtype="int64")
    number = numbered([TextColumn.from_series(frame[name]) for name in names])
    return first_rows(number), np.bincount(number)


def form_questions(batch: Batch) -> dict[tuple[str, str], int]:
    """Give (file, heading) → the number of the finding by which the form of a column is answered."""
    if not (batch.waiting["problem"] == _FORM).any():
        return {}
    found = batch.numbered_findings
    found = found[TextColumn.from_series(found["check_id"]).isin([_ASKED_BY])]
    owner = batch.samples["file_sha256"].reindex(found["sample_id"]).astype("str").to_numpy()
    file = np.where(found["sample_id"].isna(), found["file_sha256"].fillna("").astype("str"), owner)
    readings = batch.readings[TextColumn.from_series(batch.readings["ambiguous"]).stated()]
    asked = readings[["file_sha256", "column", "analyte"]].astype("str").drop_duplicates()
    numbered_ones = pd.DataFrame({"file_sha256": file, "analyte": found["analyte"], "number": found["finding_id"]})
    both = asked.merge(numbered_ones.drop_duplicates(["file_sha256", "analyte"]), on=["file_sha256", "analyte"])
    return {
        (sha, column): int(number)
        for sha, column, number in zip(both["file_sha256"], both["column"], both["number"], strict=True)
    }


def coverage(
    set_aside: pd.DataFrame,
    used: int,
    waiting: pd.DataFrame,
    names: pd.Series[str],
    forms: Mapping[tuple[str, str], int],
    language: str = "en",
) -> dict[str, Any]:
    """Balance the cells of a batch.

    Parameters
    ----------
    set_aside : PROBLEM_COLUMNS.
    used : readings accepted.
    waiting : of ``waiting_columns``.
    names : SHA-256 → name of the file.
    forms : of ``form_questions``.
    language : in which the questions are said.

    Returns
    -------
    `cells used set_aside unread waiting`: cells = used + set_aside; ``unread`` are those set aside that a person could
    still have read, not the limits and averages; ``waiting`` a list of `file column cells question problem
    number answer said`.
    """
    known = TextColumn.from_series(set_aside["problem"]).isin([c for c, problem in PROBLEMS.items() if problem.settled])
    return {
        "cells": used + len(set_aside),
        "used": used,
        "set_aside": len(set_aside),
        "unread": int((~known).sum()),
        "waiting": [
            {
                "file": str(names.get(sha, "")),
                "column": column,
                "cells": int(cells),
                "question": question,
                "problem": problem,
                "number": forms.get((sha, column)),
                "answer": _answer(forms.get((sha, column)), language),
                "said": question_said(problem, question, language),
            }
            for sha, column, problem, cells, question in waiting[_COLUMNS].itertuples(index=False, name=None)
        ],
    }


def _answer(number: int | None, language: str) -> str:
    """Say how the question about a form is answered; that about a unit says it itself."""
    if number is None:
        return ""
    said = "kettlestone decide {number} accept, if it was read right; else decide {number} correct --unit … --basis …"
    return label_in(said, language, number=number)
