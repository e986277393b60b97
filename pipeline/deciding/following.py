"""A later file of a sender follows what was answered for a whole file or column of an earlier one."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, Final

from pipeline.checks.record_dates import EITHER_ORDER
from pipeline.deciding.answer import COLUMN, FILE, Answer
from pipeline.deciding.causes import cause_like, taken_cause
from pipeline.deciding.consequences import Answering, Consequences
from pipeline.deciding.corrections import correct
from pipeline.deciding.facts import unstated_facts
from pipeline.deciding.proving import prove_anew
from pipeline.deciding.written_dates import order_read, ordered
from pipeline.errors import KettlestoneError
from pipeline.normalise.date_order import UNDECIDED_DATES
from pipeline.problems import messages, problem_frame
from pipeline.store.decide import reach_further
from pipeline.store.facts import put_facts_in_place
from pipeline.store.findings import finding
from pipeline.store.frames import append
from pipeline.store.reach import CONTROL_QUESTIONS, DATE_QUESTION, findings_of_dates, same_question, samples_of

if TYPE_CHECKING:
    from collections.abc import Hashable
    from datetime import datetime

    import pandas as pd

    from pipeline.settings import Settings
    from pipeline.store.database import Store

_FIELDS: Final = frozenset(field.name for field in fields(Answer))


def follow_answers(store: Store, batch_id: str, settings: Settings, now: datetime) -> bool:
    """Let the files of a batch follow the answers to earlier files with the same headings and a client in common.

    What such a file does not state of its samples (stage, site, sampling point) is as it was answered; where it raises
    the same question again, the same unit, form, factor or cause settles it. A file in which the sender has mended the
    mistake raises no question, and nothing is changed in it. The earlier decision reaches further: one `reopen` takes
    all of it back.

    Parameters
    ----------
    store : in the transaction of the batch, which is in place.
    batch_id : the batch.
    settings : of the run.
    now : when it began, UTC.

    Returns
    -------
    whether anything followed.
    """
    touched: set[str] = set()
    followed = False
    for row in _answered_before(store, batch_id).to_dict("records"):
        said = {name: value for name, value in json.loads(row["said"]).items() if name in _FIELDS}
        for done in _following(store, row, Answer(**said), settings, now):
            reach_further(store, int(row["decision_id"]), done.also, done.facts, done.readings)
            _tell(store, row, done.detail, batch_id)
            if row["of_dates"]:
                _no_longer_asked(store, str(row["new_file"]), batch_id)
            touched |= done.samples
            followed = True
    if touched:
        put_facts_in_place(store, touched)
        prove_anew(store, touched, settings, now, f"{batch_id.rpartition('-')[2]}-followed")
    return followed


def _answered_before(store: Store, batch_id: str) -> pd.DataFrame:
    """List the answers in force to whole files and columns that the files of a batch are like, the latest last."""
    return store.connection.execute(
        """
        WITH client_of AS (SELECT DISTINCT file_sha256, client FROM sample),
        answered AS (
            SELECT a.decision_id, a.action, a.decided_by, a.decided_at, d.said, f.finding_id, f.check_id, f.analyte,
                coalesce(f.file_sha256, s.file_sha256) AS old_file,
                CASE a.action WHEN 'correct' THEN d.said::JSON ->> '$.date_order' <> '' ELSE a.action = 'accept' END
                    AS of_dates
            FROM answer AS a JOIN decision AS d USING (decision_id) JOIN finding AS f ON f.finding_id = a.finding_id
            LEFT JOIN sample AS s ON s.sample_id = f.sample_id
            WHERE a.own AND d.said <> '' AND NOT list_contains($controls, f.check_id) AND (
                a.action IN ('correct', 'take')
                    AND (f.sample_id IS NULL OR list_contains($reaches, d.said::JSON ->> '$.reach'))
                OR a.action = 'correct' AND d.said::JSON ->> '$.date_order' <> ''
                OR a.action = 'accept' AND f.check_id = $dates
            )
        )
        SELECT a.*, new.file_sha256 AS new_file, regexp_replace(old.name, '^.*/', '') AS old_name
        FROM answered AS a
        JOIN source_file AS old ON old.file_sha256 = a.old_file AND old.shape <> ''
        JOIN source_file AS new
            ON new.shape = old.shape AND new.batch_id = $batch AND new.file_sha256 <> old.file_sha256
        WHERE EXISTS (
            SELECT 1 FROM client_of AS o JOIN client_of AS n USING (client)
            WHERE o.file_sha256 = old.file_sha256 AND n.file_sha256 = new.file_sha256
        )
        -- Of several answers about the order of day and month the latest holds.
        QUALIFY NOT coalesce(of_dates, false) OR decision_id = max(decision_id) OVER (PARTITION BY of_dates, new_file)
        ORDER BY a.decision_id, new.rowid
        """,
        {"batch": batch_id, "controls": list(CONTROL_QUESTIONS), "reaches": [COLUMN, FILE], "dates": DATE_QUESTION},
    ).df()


def _tell(store: Store, row: dict[Hashable, Any], detail: str, batch_id: str) -> None:
    """Keep with the remarks of the batch that a file followed an answer, and how it is taken back."""
    said = (
        f"{detail} (finding {row['finding_id']} on {row['old_name']}, "
        f"{row['decided_by']}, {row['decided_at']:%Y-%m-%d})"
    )
    told = problem_frame(
        "answer-followed", file_sha256=str(row["new_file"]), line=0, column="", raw_text="", detail=said
    )
    append(store.connection, "notice", told.assign(message=messages(told)), same={"batch_id": batch_id})


def _no_longer_asked(store: Store, file: str, batch_id: str) -> None:
    """Leave out of the remarks of the batch that nothing decides the dates of a file."""
    store.connection.execute(
        "DELETE FROM notice WHERE batch_id = ? AND file_sha256 = ? AND problem = ? AND detail LIKE '%--date-order%'",
        [batch_id, file, UNDECIDED_DATES],
    )


def _following(
    store: Store, row: dict[Hashable, Any], answer: Answer, settings: Settings, now: datetime
) -> list[Consequences]:
    """Say what an answer to an earlier file does to one like it."""
    file = str(row["new_file"])
    if row["of_dates"]:
        return _dated_alike(store, row, answer, settings, now)
    found = []
    if answer.stage or answer.site or answer.point:
        facts = unstated_facts(store, file, answer, settings, now)
        found += [facts] if facts.facts else []
    asked = _asked_again(store, file, row)
    if asked is None:
        return found
    given = replace(answer, finding_id=int(asked["finding_id"]), date="", stage="", site="", point="")
    also = tuple(same_question(store, asked))
    case = Answering(store, asked, also, tuple(samples_of(store, [given.finding_id, *also])), given, settings, now)
    try:
        done = _settled(case, row)
    except KettlestoneError:
        return found  # it cannot be answered in the same way: a person is asked
    return [*found, replace(done, also=tuple({given.finding_id, *also}))] if done is not None else found


def _dated_alike(
    store: Store, row: dict[Hashable, Any], answer: Answer, settings: Settings, now: datetime
) -> list[Consequences]:
    """Read the open dates of a file in the order that was answered for one like it."""
    file = str(row["new_file"])
    asked = findings_of_dates(store, file, EITHER_ORDER)
    order = answer.date_order or order_read(finding(store, int(row["finding_id"])))
    if not asked or not order:
        return []
    case = Answering(store, finding(store, asked[0]), tuple(asked[1:]), (), answer, settings, now)
    try:
        return [ordered(case, file, order)]
    except KettlestoneError:  # its own dates prove another order
        return []


def _settled(case: Answering, row: dict[Hashable, Any]) -> Consequences | None:
    if row["action"] == "correct":
        return correct(case) if case.answer.rereads and case.answer.value is None else None
    cause = cause_like(case, int(row["finding_id"]), case.answer.cause or 1)
    return None if cause is None else taken_cause(case._replace(answer=replace(case.answer, cause=cause)))


def _asked_again(store: Store, file: str, row: dict[Hashable, Any]) -> pd.Series | None:
    """Find the open question of a file that is the one answered before, that of the whole file first."""
    found = store.connection.execute(
        "SELECT * FROM v_finding WHERE is_current AND decision IS NULL AND current_severity IN ('hold', 'reject') "
        "AND file_sha256 = ? AND check_id = ? AND analyte = ? ORDER BY sample_id IS NOT NULL, finding_id LIMIT 1",
        [file, row["check_id"], row["analyte"]],
    ).df()
    return None if found.empty else found.iloc[0]
