-- Answers of more kinds, which reach further than one finding. A table cannot change its own conditions: it is made anew.

CREATE TABLE decision_of_more_kinds (
    decision_id BIGINT NOT NULL,
    finding_id BIGINT NOT NULL,
    sample_id VARCHAR,
    action VARCHAR NOT NULL,
    decided_by VARCHAR NOT NULL,
    decided_at TIMESTAMP NOT NULL,
    why VARCHAR NOT NULL,
    reading_id BIGINT,
    analyte VARCHAR NOT NULL,
    value DOUBLE,
    unit VARCHAR NOT NULL,
    basis VARCHAR NOT NULL,
    detail VARCHAR DEFAULT '',
    CHECK (action IN ('accept', 'reject', 'repeat', 'correct', 'take', 'exchange', 'use-report', 'reopen')),
    CHECK (decided_by <> '' AND why <> ''),
    CHECK (isfinite(value))
);
INSERT INTO decision_of_more_kinds BY NAME FROM decision;
DROP TABLE decision;
ALTER TABLE decision_of_more_kinds RENAME TO decision;

-- Findings that a decision answers beside its own: the members of a column or a source, the other bottle of a pair.
CREATE TABLE answered_too (
    decision_id BIGINT,
    finding_id BIGINT
);
-- Readings that do not count while a decision is in force.
CREATE TABLE withdrawn (
    decision_id BIGINT,
    reading_id BIGINT
);
-- Facts of samples that a decision corrects; `before` is what the sample said until then.
CREATE TABLE corrected_fact (
    decision_id BIGINT,
    sample_id VARCHAR,
    name VARCHAR,
    before VARCHAR,
    after VARCHAR
);
-- Findings to which a reading was asked for again, and the sample that brought it.
CREATE TABLE repeated (
    finding_id BIGINT,
    sample_id VARCHAR,
    batch_id VARCHAR
);
ALTER TABLE finding ADD COLUMN severity_alone VARCHAR DEFAULT '';
