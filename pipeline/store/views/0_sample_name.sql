-- What people call every sample: its label, or the file and line of one that has none.
CREATE OR REPLACE VIEW sample_name AS
SELECT s.sample_id,
    CASE WHEN trim(s.label) <> '' THEN s.label
        ELSE coalesce(regexp_replace(f.name, '^.*/', '') || ' line ' || s.line, s.sample_id) END AS called
FROM sample AS s
LEFT JOIN (SELECT file_sha256, min(name) AS name FROM source_file GROUP BY file_sha256) AS f USING (file_sha256);
COMMENT ON VIEW sample_name IS 'What people call every sample.';
COMMENT ON COLUMN sample_name.sample_id IS 'Stable identifier of the sample';
COMMENT ON COLUMN sample_name.called IS 'Its label, or the file and line of one that has none: "sheet.csv line 7"';
