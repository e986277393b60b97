"""The question of a file whose dates nothing decides: whether the day or the month comes first."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.checks.record_dates import EITHER_ORDER
from pipeline.deciding.written_dates import other_order
from pipeline.normalise.date_order import UNDECIDED_DATES
from pipeline.store.reach import DATE_QUESTION
from pipeline.texts import TextColumn
from pipeline.words.labels import label_in

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.batch.contents import Batch


def date_questions(batch: Batch, names: pd.Series[str], language: str = "en") -> list[dict[str, Any]]:
    """Ask once for each file whose dates nothing decides, until it is answered.

    Parameters
    ----------
    batch : the batch.
    names : SHA-256 → name of the file.
    language : of the question.

    Returns
    -------
    `file number said answer` of each file: a finding about one of its dates, the question, and how to answer.
    """
    undecided = batch.notices.loc[(batch.notices["problem"] == UNDECIDED_DATES).to_numpy(dtype="bool"), "file_sha256"]
    if undecided.empty:
        return []
    found = batch.numbered_findings
    found = found[TextColumn.from_series(found["check_id"]).isin([DATE_QUESTION])]
    file = batch.samples["file_sha256"].reindex(found["sample_id"]).astype("str").to_numpy()
    asked = found["evidence"].str.contains(EITHER_ORDER, regex=False).to_numpy() & np.isin(file, undecided.unique())
    if "decision" in found:
        asked &= (found["decision"].isna() | (found["decision"] == "reopen")).to_numpy()
    first = found.assign(file_sha256=file)[asked].drop_duplicates("file_sha256")
    return [
        {"file": str(names.get(row["file_sha256"], "")), "number": int(row["finding_id"]), **_question(row, language)}
        for _, row in first.iterrows()
    ]


def _question(found: pd.Series, language: str) -> dict[str, str]:
    told, number = json.loads(found["evidence"]), int(found["finding_id"])
    said = '"{written}" was read as {read}; does the day or the month come first in the dates of this file?'
    how = "kettlestone decide {number} accept, if it was read right; else decide {number} correct --date-order {order}"
    return {
        "said": label_in(said, language, written=told["written"], read=told["read_as"]),
        "answer": label_in(how, language, number=number, order=other_order(found)),
    }
