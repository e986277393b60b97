-- Every finding with its sample, its file and the decision in force.
CREATE OR REPLACE VIEW v_finding AS
WITH settled AS (
    -- Of the answers to one question the latest; which report counts is another question where other reports speak.
    SELECT f.sample_id, f.file_sha256, f.check_id, f.analyte, f.observed, f.low, f.high,
        CASE f.check_id WHEN 'report-revision' THEN f.evidence ELSE '' END AS reports, d.action, d.decided_by,
        d.decided_at, d.why, d.decision_id, d.detail, r.sample_id AS repeated_by, b.rowid AS closed
    FROM answer AS d
    JOIN finding AS f USING (finding_id)
    LEFT JOIN repeated AS r ON r.finding_id = d.finding_id AND r.decision_id = d.decision_id
    LEFT JOIN batch AS b ON b.batch_id = r.batch_id
    QUALIFY row_number() OVER (
        PARTITION BY f.sample_id, f.file_sha256, f.check_id, f.analyte, f.observed, f.low, f.high, reports
        ORDER BY d.decision_id DESC
    ) = 1
), answered AS (
    -- A decision holds wherever a later batch asks the same question about the same sample again; what the reading
    -- that was asked for raises anew is another question.
    SELECT f.finding_id, f.batch_id, a.* EXCLUDE (file_sha256, check_id, analyte, observed, low, high, reports, closed)
    FROM finding AS f
    JOIN batch AS b USING (batch_id)
    JOIN settled AS a
        ON a.check_id = f.check_id
        AND a.analyte = f.analyte
        AND a.sample_id IS NOT DISTINCT FROM f.sample_id
        AND a.file_sha256 IS NOT DISTINCT FROM f.file_sha256
        AND a.observed IS NOT DISTINCT FROM f.observed
        AND a.low IS NOT DISTINCT FROM f.low
        AND a.high IS NOT DISTINCT FROM f.high
        AND (a.reports = '' OR a.reports = f.evidence)
        AND (a.closed IS NULL OR b.rowid < a.closed OR a.repeated_by <> f.sample_id)
), shared AS (
    -- A question of a whole file is open as long as any of its samples shares it in its last judgement.
    SELECT s.file_sha256, m.check_id, bool_or(m.batch_id = s.batch_id) AS still
    FROM finding AS m JOIN sample AS s USING (sample_id)
    WHERE m.severity_alone <> ''
    GROUP BY ALL
), discarded AS (
    -- A sample that an answer has put out waits for nothing more.
    SELECT DISTINCT sample_id FROM answered AS a JOIN sample USING (sample_id, batch_id)
    WHERE a.action = 'reject' AND a.repeated_by IS NULL
)
SELECT
    f.finding_id, f.batch_id, f.sample_id, coalesce(c.called, regexp_replace(n.name, '^.*/', '')) AS called,
    s.label, s.client, s.site, s.sampling_point, s.stage, s.region,
    s.country, s.collected_at, s.operator, f.check_id, f.severity,
    CASE WHEN a.action IS NULL OR a.action = 'reopen' THEN f.severity
        WHEN a.repeated_by IS NOT NULL THEN 'note' WHEN a.action = 'reject' THEN 'reject'
        WHEN a.action = 'repeat' THEN 'hold' ELSE 'note' END AS current_severity,
    f.observed, f.low, f.high, f.unit, f.message, f.evidence, f.analyte, f.reading_ids,
    coalesce(f.file_sha256, s.file_sha256) AS file_sha256, n.name AS file,
    s.line, a.action AS decision, a.decided_by, a.decided_at, a.why,
    CASE WHEN f.sample_id IS NULL THEN coalesce(h.still, true) ELSE f.batch_id = s.batch_id END AS is_current,
    CASE WHEN f.severity_alone <> '' AND (a.action IS NULL OR a.action = 'reopen') THEN f.severity_alone
        ELSE '' END AS severity_alone,
    a.decision_id, a.detail, a.repeated_by,
    CASE WHEN current_severity NOT IN ('hold', 'reject') OR a.action = 'reject' OR g.sample_id IS NOT NULL THEN ''
        WHEN a.action = 'repeat' THEN 'repeat' ELSE 'answer' END AS waits_for
FROM finding AS f
LEFT JOIN sample AS s USING (sample_id)
LEFT JOIN sample_name AS c USING (sample_id)
LEFT JOIN source_file AS n
    ON n.file_sha256 = coalesce(f.file_sha256, s.file_sha256) AND n.status <> 'not understood'
LEFT JOIN answered AS a USING (finding_id)
LEFT JOIN shared AS h ON f.sample_id IS NULL AND h.file_sha256 = f.file_sha256 AND h.check_id = f.check_id
LEFT JOIN discarded AS g ON g.sample_id = f.sample_id;
COMMENT ON VIEW v_finding IS 'Every finding with its sample, its file and the decision in force.';
COMMENT ON COLUMN v_finding.finding_id IS 'Number of the finding';
COMMENT ON COLUMN v_finding.batch_id IS 'Batch in which the check ran';
COMMENT ON COLUMN v_finding.sample_id IS 'Stable identifier of the sample';
COMMENT ON COLUMN v_finding.called IS 'What people call the sample, or the file concerned';
COMMENT ON COLUMN v_finding.label IS 'Sample label as the file wrote it';
COMMENT ON COLUMN v_finding.client IS 'Client';
COMMENT ON COLUMN v_finding.site IS 'Site of the client';
COMMENT ON COLUMN v_finding.sampling_point IS 'Tap or outlet';
COMMENT ON COLUMN v_finding.stage IS 'Where in the treatment: raw, treated, machine_inlet, permeate, bottled, hot_outlet';
COMMENT ON COLUMN v_finding.region IS 'Region';
COMMENT ON COLUMN v_finding.country IS 'Country';
COMMENT ON COLUMN v_finding.collected_at IS 'Time of sampling, UTC';
COMMENT ON COLUMN v_finding.operator IS 'Who took or measured the sample';
COMMENT ON COLUMN v_finding.check_id IS 'Check that raised it';
COMMENT ON COLUMN v_finding.severity IS 'Severity when raised: note, hold, reject';
COMMENT ON COLUMN v_finding.current_severity IS 'Severity after the decision in force';
COMMENT ON COLUMN v_finding.observed IS 'Number the check looked at';
COMMENT ON COLUMN v_finding.low IS 'Lower end of the acceptable range';
COMMENT ON COLUMN v_finding.high IS 'Upper end of the acceptable range';
COMMENT ON COLUMN v_finding.unit IS 'Unit of observed, low and high';
COMMENT ON COLUMN v_finding.message IS 'The finding in words';
COMMENT ON COLUMN v_finding.evidence IS 'Numbers behind it, JSON';
COMMENT ON COLUMN v_finding.analyte IS 'Quantities concerned';
COMMENT ON COLUMN v_finding.reading_ids IS 'Readings concerned, separated by blanks';
COMMENT ON COLUMN v_finding.file_sha256 IS 'SHA-256 of the input file, its name in the archive';
COMMENT ON COLUMN v_finding.file IS 'Input file of the sample, or the file concerned';
COMMENT ON COLUMN v_finding.line IS 'Line of the first reading of the sample';
COMMENT ON COLUMN v_finding.decision IS 'Decision in force: accept, reject, repeat, correct, take, exchange, use-report, reopen';
COMMENT ON COLUMN v_finding.decided_by IS 'Who decided';
COMMENT ON COLUMN v_finding.decided_at IS 'When, UTC';
COMMENT ON COLUMN v_finding.why IS 'Reason given';
COMMENT ON COLUMN v_finding.is_current IS 'False if a later batch checked the sample anew';
COMMENT ON COLUMN v_finding.severity_alone IS 'What it does to its sample until the finding about its source is answered';
COMMENT ON COLUMN v_finding.decision_id IS 'Number of the decision in force';
COMMENT ON COLUMN v_finding.detail IS 'What the decision did, in words';
COMMENT ON COLUMN v_finding.repeated_by IS 'Sample that brought the reading that was asked for again';
COMMENT ON COLUMN v_finding.waits_for IS 'What it waits for: answer, repeat (a reading that was asked for again), or nothing';
