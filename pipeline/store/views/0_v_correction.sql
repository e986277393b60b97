-- The corrections in force: readings somebody decided on, and what each of them replaces.
CREATE OR REPLACE VIEW v_correction AS
SELECT
    r.reading_id, r.corrects, r.sample_id, r.analyte, r.value, r.unit, r.basis, r.raw_text, r.raw_unit,
    d.decision_id, d.finding_id, d.decided_by, d.decided_at, d.why
FROM reading AS r
JOIN answer AS d ON d.decision_id = r.decision_id AND d.own
QUALIFY row_number() OVER (
    PARTITION BY r.sample_id, r.analyte, r.corrects ORDER BY d.decision_id DESC -- not by a clock, which may be set back
) = 1;
COMMENT ON VIEW v_correction IS 'The corrections in force: readings somebody decided on, and what each of them replaces.';
COMMENT ON COLUMN v_correction.reading_id IS 'Number of the reading that counts';
COMMENT ON COLUMN v_correction.corrects IS 'Number of the reading it replaces; empty if nothing was read';
COMMENT ON COLUMN v_correction.sample_id IS 'Stable identifier of the sample';
COMMENT ON COLUMN v_correction.analyte IS 'What was measured';
COMMENT ON COLUMN v_correction.value IS 'Value in the canonical unit';
COMMENT ON COLUMN v_correction.unit IS 'Canonical unit (UCUM code)';
COMMENT ON COLUMN v_correction.basis IS 'What the number counts: as CaCO3, as ion, as NO3, …';
COMMENT ON COLUMN v_correction.raw_text IS 'Number as it was given';
COMMENT ON COLUMN v_correction.raw_unit IS 'Unit as it was given';
COMMENT ON COLUMN v_correction.decision_id IS 'Decision that made it';
COMMENT ON COLUMN v_correction.finding_id IS 'Finding it answers';
COMMENT ON COLUMN v_correction.decided_by IS 'Who decided';
COMMENT ON COLUMN v_correction.decided_at IS 'When, UTC';
COMMENT ON COLUMN v_correction.why IS 'Reason given';
