"""The pages of findings: the list, and one after the other with all that is needed to answer it."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
from flask import request

from pipeline.deciding.answer import DATE_ORDERS, REACHES
from pipeline.deciding.written_dates import other_order
from pipeline.desk.evidence import (
    numbers_of,
    range_picture,
    source_causes,
    stored_causes,
    written_cells,
)
from pipeline.desk.pages import language, page, plain_rows, reading
from pipeline.desk.queue import EVERYTHING, narrowed_by, queue_of, wanted
from pipeline.report.judgement import cause_said, check_said, finding_said
from pipeline.report.terminal.findings import ANSWER, listed_findings
from pipeline.store.findings import finding
from pipeline.words import question_of_check, say
from schemas.columns import STAGES

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from pipeline.store.database import Store

_SHOWN: Final = 300


def show_findings() -> ResponseReturnValue:
    """List what waits, or everything, sample by sample, with answers to several at once."""
    narrowed = narrowed_by(request.args)
    everything = request.args.get(EVERYTHING) == "1"
    with reading() as store:
        found = listed_findings(store, wanted(narrowed, everything=everything))
    rows = [_worded(row) for row in plain_rows(found.head(_SHOWN))]
    groups = [list(own) for _, own in groupby(rows, key=lambda row: (row["sample_id"], row["called"], row["file"]))]
    waits = found["waits_for"] == ANSWER
    checks = found.loc[waits, "check_id"].value_counts()
    return page(
        "findings.html",
        groups=groups,
        narrowed=narrowed,
        everything=everything,
        total=len(found),
        shown=len(rows),
        waiting=int(waits.sum()),
        first=next((row["finding_id"] for row in rows if row["waits"]), None),
        checks=[(str(name), check_said(str(name), language()), int(count)) for name, count in checks.items()],
    )


def _worded(row: dict[str, Any]) -> dict[str, Any]:
    return {**row, "said": finding_said(row, language()), "waits": row["waits_for"] == ANSWER}


def show_finding(number: int) -> ResponseReturnValue:
    """Show a finding with the cells as they were written, the evidence and the causes, to be answered by one key."""
    return finding_page(number, narrowed_by(request.args))


def finding_page(number: int, narrowed: dict[str, str], trouble: tuple[str, ...] = (), why: str = "") -> str:
    """Render the page of a finding.

    Parameters
    ----------
    number : of the finding.
    narrowed : what the row of waiting findings is narrowed to.
    trouble : why an answer was refused.
    why : the reason that was typed with it.
    """
    with reading() as store:
        found = finding(store, number)
        queue = queue_of(store, narrowed)
        whole = pd.isna(found["sample_id"])
        shown = _of_file(store, found) if whole else _of_sample(store, found)
    [row] = plain_rows(found.to_frame().T)
    return page(
        "finding.html",
        finding=_worded(row),
        number=number,
        whole=whole,
        numbers=numbers_of(found, language()),
        picture=range_picture(found),
        question=say(question_of_check(str(found["check_id"])), language()),
        title=check_said(str(found["check_id"]), language()),
        place=queue.place(number),
        waiting=len(queue.numbers),
        behind=queue.behind(number),
        before=queue.before(number),
        narrowed=narrowed,
        trouble=trouble,
        typed_why=why,
        reaches=REACHES,
        date_orders=DATE_ORDERS,
        other_order=other_order(found),
        stages=STAGES,
        **shown,
    )


def _of_sample(store: Store, found: pd.Series) -> dict[str, Any]:
    sample_id = str(found["sample_id"])
    others = listed_findings(store, wanted({"sample": sample_id}, everything=True))
    return {
        "cells": written_cells(store, sample_id, str(found["analyte"])),
        "causes": [cause_said(cause, language()) for cause in stored_causes(store, sample_id)],
        "others": [_worded(row) for row in plain_rows(others)],
    }


def _of_file(store: Store, found: pd.Series) -> dict[str, Any]:
    """Give what a finding about a whole file is about: its samples, and what they have in common."""
    samples = store.connection.execute(
        "SELECT DISTINCT s.sample_id, s.called, s.current_verdict FROM v_sample AS s "
        "JOIN reading AS r USING (sample_id) WHERE r.file_sha256 = ? AND r.decision_id IS NULL ORDER BY s.called",
        [found["file_sha256"]],
    ).df()
    return {
        "sample": None,
        "cells": [],
        "causes": [cause_said(cause, language()) for cause in source_causes(store, found)],
        "others": [],
        "members": plain_rows(samples),
    }
