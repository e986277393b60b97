-- A fifth verdict, unjudged, and what was not read of a sample. A table cannot change its own conditions: it is made anew.

CREATE TABLE sample_with_unjudged (
    sample_id VARCHAR NOT NULL,
    label VARCHAR NOT NULL,
    client VARCHAR NOT NULL,
    site VARCHAR NOT NULL,
    sampling_point VARCHAR NOT NULL,
    stage VARCHAR NOT NULL,
    region VARCHAR NOT NULL,
    country VARCHAR NOT NULL,
    collected_at TIMESTAMP,
    verdict VARCHAR NOT NULL,
    collected_precision VARCHAR NOT NULL,
    activity VARCHAR NOT NULL,
    supply VARCHAR NOT NULL,
    machine VARCHAR NOT NULL,
    treatment VARCHAR NOT NULL,
    operator VARCHAR NOT NULL,
    comment VARCHAR NOT NULL,
    report_id VARCHAR NOT NULL,
    supersedes VARCHAR NOT NULL,
    analysed_on TIMESTAMP,
    received_on TIMESTAMP,
    calibrated_on TIMESTAMP,
    reagent_expiry TIMESTAMP,
    flushed VARCHAR NOT NULL,
    litres_per_day DOUBLE,
    bypass_percent DOUBLE,
    counter_litres DOUBLE,
    file_sha256 VARCHAR NOT NULL,
    line INTEGER,
    not_evaluated VARCHAR NOT NULL,
    other VARCHAR NOT NULL,
    batch_id VARCHAR NOT NULL,
    cells_not_read BIGINT DEFAULT 0,
    not_read VARCHAR DEFAULT '',
    CHECK (sample_id <> ''),
    CHECK (stage IN ('', 'raw', 'treated', 'machine_inlet', 'permeate', 'bottled', 'hot_outlet')),
    CHECK (verdict IN ('ok', 'unjudged', 'note', 'hold', 'reject'))
);
INSERT INTO sample_with_unjudged BY NAME FROM sample;
DROP TABLE sample;
ALTER TABLE sample_with_unjudged RENAME TO sample;
