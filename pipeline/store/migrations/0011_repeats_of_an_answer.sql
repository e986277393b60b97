-- A reading that was asked for again closes the answer that asked for it; asked for once more, it is waited for once more.
ALTER TABLE repeated ADD COLUMN decision_id BIGINT;
UPDATE repeated SET decision_id = (
    SELECT max(d.decision_id) FROM decision AS d
    WHERE d.action = 'repeat' AND (d.finding_id = repeated.finding_id OR EXISTS (
        SELECT 1 FROM answered_too AS t WHERE t.decision_id = d.decision_id AND t.finding_id = repeated.finding_id))
);
