"""What happened to samples, and who decided what: an audit trail from the rows that are only ever added."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.store.batch_record import utc

if TYPE_CHECKING:
    from datetime import datetime

    import pandas as pd

    from pipeline.store.database import Store

# One row per event; ``part`` puts those of one moment in the order in which they follow from each other.
_EVENTS: Final = """
    WITH came AS (
        SELECT file_sha256, min(started_at) AS at FROM source_file JOIN batch USING (batch_id) GROUP BY file_sha256
    )
    SELECT b.started_at AS at, 1 AS part, 'taken in' AS event, r.sample_id, '' AS who, '' AS why,
        f.name || ':' || r.line || ', ' || r.number || CASE r.number WHEN 1 THEN ' reading' ELSE ' readings' END
            AS detail,
        NULL::BIGINT AS finding_id, NULL::BIGINT AS decision_id, '' AS state, b.batch_id
    FROM (SELECT sample_id, file_sha256, min(line) AS line, count(*) AS number FROM reading WHERE decision_id IS NULL
        GROUP BY sample_id, file_sha256) AS r
    JOIN (SELECT file_sha256, min(name) AS name, min(batch_id) AS batch_id FROM source_file
        WHERE status <> 'not understood' GROUP BY file_sha256) AS f USING (file_sha256)
    JOIN batch AS b USING (batch_id)
    UNION ALL
    SELECT b.started_at, 2, f.severity, f.sample_id, '', '', f.message || '  [' || f.check_id || ']', f.finding_id,
        NULL, '', b.batch_id
    FROM finding AS f JOIN batch AS b USING (batch_id)
    WHERE f.severity <> 'note' OR f.severity_alone <> ''
    UNION ALL
    SELECT greatest(d.decided_at, b.started_at), 3, d.action, coalesce(f.sample_id, d.sample_id), d.decided_by, d.why,
        d.detail, s.finding_id,
        d.decision_id,
        CASE WHEN d.action = 'reopen' THEN '' WHEN a.finding_id IS NULL THEN 'taken back' ELSE 'in force' END, ''
    FROM decision AS d
    JOIN (SELECT decision_id, finding_id FROM decision UNION SELECT decision_id, finding_id FROM answered_too) AS s
        USING (decision_id)
    JOIN finding AS f ON f.finding_id = s.finding_id JOIN batch AS b ON b.batch_id = f.batch_id
    LEFT JOIN answer AS a ON a.decision_id = d.decision_id AND a.finding_id = s.finding_id
    UNION ALL
    SELECT greatest(d.decided_at, i.at), 4, 'corrected', c.sample_id, d.decided_by, '', c.analyte || ' ' ||
        coalesce(trim(o.raw_text || ' ' || o.raw_unit), 'not read') || ' → '
        || coalesce(c.value::DECIMAL(18, 4)::DOUBLE::VARCHAR, c.qualifier || c."limit")
        || ' ' || replace(c.unit, 'uS', 'µS'), d.finding_id, d.decision_id,
        CASE WHEN c.reading_id IN (SELECT reading_id FROM v_correction) THEN 'in force' ELSE 'taken back' END, ''
    FROM reading AS c JOIN decision AS d USING (decision_id) LEFT JOIN reading AS o ON o.reading_id = c.corrects
    LEFT JOIN came AS i ON i.file_sha256 = c.file_sha256
    UNION ALL
    SELECT greatest(d.decided_at, i.at), 4, 'corrected', c.sample_id, d.decided_by, '', replace(c.name, '_', ' ') || ' '
        || CASE c.before WHEN '' THEN 'not stated' ELSE replace(c.before, 'T00:00:00', '') END || ' → '
        || replace(c.after, 'T00:00:00', ''), d.finding_id, d.decision_id,
        CASE WHEN a.finding_id IS NULL THEN 'taken back' ELSE 'in force' END, ''
    FROM corrected_fact AS c JOIN decision AS d USING (decision_id)
    LEFT JOIN sample AS s ON s.sample_id = c.sample_id LEFT JOIN came AS i ON i.file_sha256 = s.file_sha256
    LEFT JOIN answer AS a ON a.decision_id = c.decision_id AND a.own
    UNION ALL
    SELECT d.decided_at, 4, 'withdrawn', w.sample_id, d.decided_by, '', w.readings, d.finding_id, d.decision_id,
        CASE WHEN a.finding_id IS NULL THEN 'taken back' ELSE 'in force' END, ''
    FROM (SELECT withdrawn.decision_id, sample_id,
            string_agg(analyte || ' ' || raw_text, ', ' ORDER BY reading_id) AS readings
        FROM withdrawn JOIN reading USING (reading_id) GROUP BY withdrawn.decision_id, sample_id) AS w
    JOIN decision AS d ON d.decision_id = w.decision_id
    LEFT JOIN answer AS a ON a.decision_id = w.decision_id AND a.own
    UNION ALL
    SELECT b.started_at, 5, 'repeated', f.sample_id, '', '', 'the reading that was asked for came with ' || n.called,
        p.finding_id, NULL, '', b.batch_id
    FROM repeated AS p JOIN finding AS f USING (finding_id) JOIN batch AS b ON b.batch_id = p.batch_id
    LEFT JOIN sample_name AS n ON n.sample_id = p.sample_id
"""


def events(store: Store, *, sample_id: str | None = None, since: datetime | None = None) -> pd.DataFrame:
    """Return what happened, the oldest first.

    Parameters
    ----------
    store : open.
    sample_id : of one sample; None of all, whole files among them.
    since : not before this time; None from the beginning.

    Returns
    -------
    (n, …) frame: `at` (UTC), `event` (taken in, the severity of a finding, an answer, corrected, withdrawn, repeated),
    `sample_id called client site`, `who why detail finding_id decision_id`, `state` of what was decided (in force,
    taken back), `batch_id`.
    """
    return store.connection.execute(
        f"""
        SELECT e.at, e.event, e.sample_id, coalesce(n.called, '') AS called, coalesce(s.client, '') AS client,
            coalesce(s.site, '') AS site, e.who, e.why, e.detail, e.finding_id, e.decision_id, e.state, e.batch_id
        FROM ({_EVENTS}) AS e
        LEFT JOIN sample AS s USING (sample_id) LEFT JOIN sample_name AS n USING (sample_id)
        WHERE ($sample_id IS NULL OR e.sample_id = $sample_id) AND ($since IS NULL OR e.at >= $since::TIMESTAMP)
        ORDER BY e.at, e.part, e.decision_id, e.finding_id, e.sample_id
        """,  # noqa: S608 - a constant
        {"sample_id": sample_id, "since": None if since is None else utc(since).isoformat()},
    ).df()
