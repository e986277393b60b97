-- Columns of the files that wait for one answer of a person: a unit, a form, the quantity of a heading.

CREATE TABLE waiting (
    file_sha256 VARCHAR,
    "column" VARCHAR,
    problem VARCHAR,
    cells BIGINT,
    question VARCHAR,
    batch_id VARCHAR
);
