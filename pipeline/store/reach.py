"""How far an answer reaches: the findings that ask the same question, and what an earlier answer did."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.store.database import Store

# Questions of one day's work in the laboratory: their answers hold for no later file.
CONTROL_QUESTIONS: Final = (
    "blank", "check-standard", "duplicate-spread", "meter-standard", "ph-slope", "spike-recovery",
)  # fmt: skip
# The question of a whole file which of day and month comes first, a note at each sample of a date that could be either.
DATE_QUESTION: Final = "date-form"
# Questions of a whole column, or of a control of the laboratory, asked at each sample that they touch.
COLUMN_QUESTIONS: Final = ("ambiguous-unit", "unit-copied-down", *CONTROL_QUESTIONS)
# Questions of two reports, asked at each sample of which both speak.
REPORT_QUESTIONS: Final = ("report-revision", "readings-disagree")


def same_question(store: Store, found: pd.Series) -> list[int]:
    """List the other findings that one answer settles: the members of a source or of a column.

    Parameters
    ----------
    store : open.
    found : the finding, a row of view `v_finding`.
    """
    if pd.isna(found["sample_id"]):
        return _numbers(
            store,
            """
            SELECT f.finding_id FROM finding AS f JOIN sample AS s USING (sample_id)
            WHERE f.batch_id = $1 AND f.check_id = $2 AND s.file_sha256 = $3 AND f.severity_alone <> ''
            """,
            [found["batch_id"], found["check_id"], found["file_sha256"]],
        )
    if found["check_id"] == DATE_QUESTION:
        doubt = str(json.loads(str(found["evidence"])).get("alternative", ""))
        return [
            number
            for number in findings_of_dates(store, str(found["file_sha256"]), doubt)
            if number != int(found["finding_id"])
        ]
    if found["check_id"] in COLUMN_QUESTIONS:
        return _numbers(
            store,
            """
            SELECT finding_id FROM v_finding
            WHERE is_current AND check_id = $1 AND file_sha256 = $2 AND analyte = $3 AND finding_id <> $4
                AND (evidence::JSON ->> '$.why') IS NOT DISTINCT FROM ($5::JSON ->> '$.why')
            """,
            [
                *(str(found[name]) for name in ("check_id", "file_sha256", "analyte")),
                int(found["finding_id"]),
                str(found["evidence"]),
            ],
        )
    return []


def findings_of_dates(store: Store, file: str, doubt: str) -> list[int]:
    """List the findings of a file whose dates leave the same in doubt.

    Parameters
    ----------
    store : open.
    file : SHA-256.
    doubt : how the check words it.
    """
    return _numbers(
        store,
        "SELECT finding_id FROM v_finding WHERE is_current AND check_id = $1 AND file_sha256 = $2 "
        "AND evidence::JSON ->> '$.alternative' = $3",
        [DATE_QUESTION, file, doubt],
    )


def samples_first_in(store: Store, file: str) -> list[str]:
    """Name the samples whose first reading stands in a file, in the order of its lines."""
    found = store.connection.execute("SELECT sample_id FROM sample WHERE file_sha256 = ? ORDER BY line", [file])
    return [str(name) for (name,) in found.fetchall()]


def answered_with(store: Store, finding_id: int) -> list[int]:
    """List the findings that the decision in force on a finding answers: an answer is taken back as a whole."""
    return _numbers(
        store,
        """
        WITH mine AS (SELECT decision_id FROM answer WHERE finding_id = $1)
        SELECT finding_id FROM decision SEMI JOIN mine USING (decision_id)
        UNION SELECT finding_id FROM answered_too SEMI JOIN mine USING (decision_id)
        """,
        [finding_id],
    )


def touched_samples(store: Store, finding_ids: Iterable[int]) -> set[str]:
    """Name the samples of which the decisions in force on some findings changed readings or facts."""
    found = store.connection.execute(
        """
        WITH bound AS (SELECT DISTINCT decision_id FROM answer WHERE own AND list_contains($1, finding_id))
        SELECT sample_id FROM reading_value SEMI JOIN bound USING (decision_id)
        UNION SELECT r.sample_id FROM reading_value AS r
            JOIN reading_value AS c ON c.corrects = r.reading_id SEMI JOIN bound ON bound.decision_id = c.decision_id
        UNION SELECT r.sample_id FROM reading_value AS r JOIN withdrawn AS w USING (reading_id)
            SEMI JOIN bound ON bound.decision_id = w.decision_id
        UNION SELECT sample_id FROM corrected_fact SEMI JOIN bound USING (decision_id)
        """,
        [list(finding_ids)],
    ).fetchall()
    return {str(name) for (name,) in found}


def samples_of(store: Store, finding_ids: Iterable[int]) -> list[str]:
    """Name the samples that findings are about, in the order of the findings."""
    found = store.connection.execute(
        "SELECT sample_id FROM finding WHERE list_contains($1, finding_id) AND sample_id IS NOT NULL "
        "GROUP BY sample_id ORDER BY min(finding_id)",
        [list(finding_ids)],
    ).fetchall()
    return [str(name) for (name,) in found]


def open_around(store: Store, sample_ids: Iterable[str], most: int) -> set[str]:
    """Name the samples at the sites of some samples on which a finding is open: what was corrected may settle it."""
    found = store.connection.execute(
        """
        WITH place AS (
            SELECT DISTINCT client, site FROM sample
            WHERE list_contains($samples, sample_id) AND (client <> '' OR site <> '')
        )
        SELECT DISTINCT f.sample_id FROM v_finding AS f JOIN place USING (client, site)
        WHERE f.is_current AND f.decision IS NULL AND f.severity IN ('hold', 'reject') ORDER BY 1 LIMIT $most
        """,
        {"samples": list(sample_ids), "most": most},
    ).fetchall()
    return {str(name) for (name,) in found}


def count_open(store: Store, sample_ids: Iterable[str]) -> int:
    """Count the samples among some that are on hold or rejected now."""
    [(count,)] = store.connection.execute(
        "SELECT count(*) FROM v_sample WHERE list_contains($1, sample_id) AND current_verdict IN ('hold', 'reject')",
        [list(sample_ids)],
    ).fetchall()
    return int(count)


def _numbers(store: Store, sql: str, parameters: list[object]) -> list[int]:
    return sorted(int(number) for (number,) in store.connection.execute(sql, parameters).fetchall())
