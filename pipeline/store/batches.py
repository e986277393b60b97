"""The batches of a store that brought files, and how far their findings are answered."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.store.database import Store

_BATCHES = """
    WITH brought AS (
        SELECT batch_id, file_sha256, min(name) AS name, bool_or(status <> 'not understood') AS understood
        FROM source_file WHERE status <> 'not read' GROUP BY ALL
    ), file AS (
        SELECT batch_id, count(*) AS files, string_agg(regexp_replace(name, '^.*/', ''), ', ' ORDER BY name) AS names,
            count(*) FILTER (NOT understood) AS unread
        FROM brought GROUP BY batch_id
    ), owned AS (
        SELECT DISTINCT b.batch_id, r.sample_id
        FROM reading AS r JOIN brought AS b USING (file_sha256) WHERE r.decision_id IS NULL
    ), judged AS (
        SELECT o.batch_id, count(*) AS samples, count(*) FILTER (s.current_verdict = 'ok') AS ok,
            count(*) FILTER (s.current_verdict = 'unjudged') AS unjudged,
            count(*) FILTER (s.current_verdict = 'note') AS note,
            count(*) FILTER (s.current_verdict = 'hold') AS hold,
            count(*) FILTER (s.current_verdict = 'reject') AS reject
        FROM owned AS o JOIN v_sample AS s USING (sample_id)
        WHERE s.activity NOT IN ('duplicate', 'blank', 'standard', 'spike') GROUP BY o.batch_id
    ), asked AS (
        SELECT coalesce(o.batch_id, w.batch_id) AS batch_id, count(*) AS waiting
        FROM v_finding AS f
        LEFT JOIN owned AS o ON o.sample_id = f.sample_id
        LEFT JOIN brought AS w ON f.sample_id IS NULL AND w.file_sha256 = f.file_sha256
        WHERE f.is_current AND f.waits_for = 'answer'
        GROUP BY 1
    )
    SELECT b.batch_id, b.started_at, b.entries_read, b.entries_accepted, b.entries_set_aside, f.files, f.names,
        f.unread, coalesce(j.samples, 0) AS samples, coalesce(j.ok, 0) AS ok, coalesce(j.unjudged, 0) AS unjudged,
        coalesce(j.note, 0) AS note, coalesce(j.hold, 0) AS hold, coalesce(j.reject, 0) AS reject,
        coalesce(a.waiting, 0) AS waiting
    FROM batch AS b JOIN file AS f USING (batch_id) LEFT JOIN judged AS j USING (batch_id)
        LEFT JOIN asked AS a USING (batch_id)
    ORDER BY b.rowid DESC LIMIT $most
"""


def batch_ledger(store: Store, most: int) -> pd.DataFrame:
    """List the batches that brought files, the latest first, with the verdicts in force of their waters.

    Parameters
    ----------
    store : open.
    most : how many at most.

    Returns
    -------
    frame `batch_id started_at entries_read entries_accepted entries_set_aside files names unread samples ok unjudged
    note hold reject waiting`; ``unread`` counts the files that were not understood, ``waiting`` the findings that
    nobody has answered.
    """
    return store.connection.execute(_BATCHES, {"most": most}).df()
