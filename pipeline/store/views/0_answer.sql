-- The decision in force on every finding that was answered: of several the latest.
CREATE OR REPLACE VIEW answer AS
WITH said AS (
    SELECT finding_id, decision_id, true AS own FROM decision
    UNION ALL SELECT finding_id, decision_id, false FROM answered_too
), taken_back AS (
    -- A later answer to the same finding takes an answer back as a whole, also where it reached other findings.
    SELECT DISTINCT d.decision_id FROM decision AS d
    JOIN said AS s ON s.finding_id = d.finding_id AND s.decision_id > d.decision_id
)
SELECT s.finding_id, s.decision_id, s.own, d.action, d.decided_by, d.decided_at, d.why, d.detail
FROM said AS s
JOIN decision AS d USING (decision_id)
WHERE s.own OR s.decision_id NOT IN (SELECT decision_id FROM taken_back)
QUALIFY row_number() OVER (PARTITION BY s.finding_id ORDER BY s.decision_id DESC, s.own DESC) = 1;
COMMENT ON VIEW answer IS 'The decision in force on every finding that was answered.';
COMMENT ON COLUMN answer.finding_id IS 'Number of the finding';
COMMENT ON COLUMN answer.decision_id IS 'Number of the decision';
COMMENT ON COLUMN answer.own IS 'False where the decision answers it beside another finding';
COMMENT ON COLUMN answer.action IS 'accept, reject, repeat, correct, take, exchange, use-report or reopen';
COMMENT ON COLUMN answer.decided_by IS 'Who decided';
COMMENT ON COLUMN answer.decided_at IS 'When, UTC';
COMMENT ON COLUMN answer.why IS 'Reason given';
COMMENT ON COLUMN answer.detail IS 'What the answer did, in words';
