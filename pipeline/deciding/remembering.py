"""What was answered about the form of a column holds for later files with the same headings."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import TYPE_CHECKING, Final, TypeAlias

import pandas as pd

from pipeline.asking.answers import heading_of
from pipeline.asking.shapes import shape_of
from pipeline.deciding.answer import READING
from pipeline.normalise.units import resolve
from pipeline.store.batch_record import utc
from pipeline.store.frames import append
from pipeline.store.shapes import kept_shapes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from pipeline.deciding.consequences import Answering
    from pipeline.store.database import Store

# Gives the headings of the tables of a stored file: store, SHA-256.
Headings: TypeAlias = "Callable[[Path, str], Sequence[Sequence[str]]]"
_CHECK: Final = "ambiguous-unit"


def remember_form(store: Store, case: Answering, number: int, headings: Headings) -> None:
    """Keep the form of a column for files of its shape, or forget it where the answer is taken back.

    Parameters
    ----------
    store : in the transaction of the decision.
    case : the finding and its answer.
    number : of the decision.
    headings : reads the headings of the file.
    """
    answer, found = case.answer, case.found
    if found["check_id"] != _CHECK or answer.reach == READING or answer.value is not None:
        return
    if answer.action == "reopen":
        _forget(store, case)
    elif answer.action in ("accept", "correct"):
        rows = _rows(store, case, headings)
        append(store.connection, "file_shape", rows, same={"batch_id": _mark(number)})


def _rows(store: Store, case: Answering, headings: Headings) -> pd.DataFrame:
    """Word what was said of each column as the answer for a unit, beside the headings of its table."""
    found, answer = case.found, case.answer
    columns = store.connection.execute(
        "SELECT DISTINCT \"column\", analyte, raw_unit, basis FROM reading WHERE file_sha256 = $1 AND ambiguous <> '' "
        "AND decision_id IS NULL AND list_contains($2, sample_id)",
        [found["file_sha256"], list(case.samples)],
    ).fetchall()
    tables = headings(store.path, str(found["file_sha256"]))
    kept = []
    for column, analyte, raw_unit, basis in columns:
        unit = f"{answer.unit or raw_unit} {_form(answer.basis) if answer.action == 'correct' else basis}".strip()
        meaning, name = resolve(analyte, unit, ""), heading_of(column)
        if meaning.problem or meaning.ambiguous:
            continue  # nothing that could be answered for a unit
        kept += [
            {
                "shape": shape_of(table),
                "headings": json.dumps(list(table), ensure_ascii=False),
                "name": name,
                "unit": unit,
            }
            for table in tables
            if name in table
        ]
    frame = pd.DataFrame(kept, columns=["shape", "headings", "name", "unit"])
    return frame.assign(layout="", said_by=answer.by, said_at=utc(case.now), file=str(found["file"]))


def _form(text: str) -> str:
    return text if not text or text.startswith("as ") else f"as {text}"


def _forget(store: Store, case: Answering) -> None:
    """Take back what the answer in force had kept; what else is known of the shape stays."""
    kept = kept_shapes(store)
    mine = store.connection.execute(
        "SELECT DISTINCT s.shape, s.name FROM file_shape AS s "
        "JOIN decision AS d ON s.batch_id = 'decision-' || d.decision_id "
        "WHERE d.finding_id = $1 OR list_contains($2, d.finding_id)",
        [int(case.found["finding_id"]), list(case.also)],
    ).df()
    for shape, names in mine.groupby("shape")["name"]:
        rows = kept[kept["shape"] == shape]
        if rows.empty:
            continue
        said_at = utc(case.now)
        last = rows.tail(1)[["shape", "headings"]]
        rest = rows[~rows["name"].isin(names)].assign(said_at=said_at + timedelta(microseconds=1))
        gone = last.assign(name="", unit="", layout="", said_by=case.answer.by, said_at=said_at, file="")
        append(store.connection, "file_shape", pd.concat([gone, rest], ignore_index=True), same={"batch_id": ""})


def _mark(number: int) -> str:
    return f"decision-{number}"
