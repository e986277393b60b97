-- Corrections become readings of their own, and explanations carry what would change.

-- A correction is a new reading: `corrects` is the reading it replaces (NULL where nothing was read),
-- `decision_id` the decision that made it. Both are NULL for everything that came from a file.
ALTER TABLE reading_value ADD COLUMN corrects BIGINT;
ALTER TABLE reading_value ADD COLUMN decision_id BIGINT;

ALTER TABLE explanation ADD COLUMN title VARCHAR DEFAULT '';
ALTER TABLE explanation ADD COLUMN value_from DOUBLE;
ALTER TABLE explanation ADD COLUMN value_to DOUBLE;
ALTER TABLE explanation ADD COLUMN unit VARCHAR DEFAULT '';
-- True where the mistake is one of the whole file and stands in `pattern`.
ALTER TABLE explanation ADD COLUMN pattern BOOLEAN;

-- One mistake behind many rows of a file, an instrument or an operator (`scope`).
CREATE TABLE pattern (
    batch_id VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    scope VARCHAR NOT NULL,
    analyte VARCHAR NOT NULL,
    other_analyte VARCHAR NOT NULL,
    mistake VARCHAR NOT NULL,
    detail VARCHAR NOT NULL,
    samples BIGINT,
    share DOUBLE,
    probability DOUBLE,
    message VARCHAR NOT NULL,
    CHECK (mistake <> ''),
    CHECK (probability BETWEEN 0 AND 1)
);
