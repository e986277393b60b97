-- Every reading with whether it counts, and how much its method is preferred.
CREATE OR REPLACE VIEW counted_reading AS
SELECT r.*,
    -- Place in schemas.methods.METHODS: 1 is preferred.
    coalesce(list_position(['laboratory', 'burette', 'photometer', 'meter', 'drops', 'public-data', 'label',
        'typed', 'strip', 'calculated', 'unknown', 'derived'], r.method), 99) AS preference,
    r.reading_id NOT IN (SELECT reading_id FROM superseded)
        AND r.reading_id NOT IN (SELECT reading_id FROM withdrawn JOIN answer USING (decision_id) WHERE own)
        AND r.reading_id NOT IN (SELECT corrects FROM v_correction WHERE corrects IS NOT NULL)
        AND (r.decision_id IS NULL OR r.reading_id IN (SELECT reading_id FROM v_correction)) AS counts
FROM reading AS r;
COMMENT ON VIEW counted_reading IS 'Every reading with whether it counts, and how much its method is preferred.';
