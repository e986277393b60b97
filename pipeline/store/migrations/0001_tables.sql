-- The tables of a store. Text is '' where nothing was said and NULL only where a thing cannot exist
-- (a finding about a whole file has no sample). Numbers are NULL where unknown, never NaN.
-- Times are UTC. No foreign keys: they forbid later changes of a table; integrity is kept by writing
-- each batch in one transaction. A reading's batch is that of its file.

CREATE TABLE view_version (
    sha256 VARCHAR NOT NULL,
    applied_at TIMESTAMP NOT NULL
);

CREATE TABLE batch (
    batch_id VARCHAR NOT NULL,
    started_at TIMESTAMP NOT NULL,
    finished_at TIMESTAMP NOT NULL,
    version VARCHAR NOT NULL,
    settings VARCHAR NOT NULL,
    entries_read BIGINT NOT NULL,
    entries_accepted BIGINT NOT NULL,
    entries_set_aside BIGINT NOT NULL,
    CHECK (batch_id <> ''),
    CHECK (entries_accepted >= 0 AND entries_set_aside >= 0),
    CHECK (entries_read = entries_accepted + entries_set_aside)
);

CREATE TABLE source_file (
    file_sha256 VARCHAR NOT NULL,
    batch_id VARCHAR NOT NULL,
    name VARCHAR NOT NULL,
    bytes BIGINT NOT NULL,
    layout VARCHAR NOT NULL,
    encoding VARCHAR NOT NULL,
    delimiter VARCHAR NOT NULL,
    decimal_mark VARCHAR NOT NULL,
    lines BIGINT,
    entries BIGINT,
    accepted BIGINT,
    set_aside BIGINT,
    status VARCHAR NOT NULL,
    CHECK (length(file_sha256) IN (0, 64)),
    CHECK (bytes >= 0)
);

CREATE TABLE sample (
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
    CHECK (sample_id <> ''),
    CHECK (stage IN ('', 'raw', 'treated', 'machine_inlet', 'permeate', 'bottled', 'hot_outlet')),
    CHECK (verdict IN ('ok', 'note', 'hold', 'reject'))
);

-- A reading is its own number and one of the few kinds of reading a file holds; view `reading` joins them.
CREATE TABLE reading_kind (
    kind_id BIGINT NOT NULL,
    analyte VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    basis VARCHAR NOT NULL,
    qualifier VARCHAR NOT NULL,
    method VARCHAR NOT NULL,
    form VARCHAR NOT NULL,
    degree_per_drop DOUBLE,
    nominal_ml DOUBLE,
    used_ml DOUBLE,
    raw_unit VARCHAR NOT NULL,
    raw_basis VARCHAR NOT NULL,
    note VARCHAR NOT NULL,
    instrument VARCHAR NOT NULL,
    ambiguous VARCHAR NOT NULL,
    status VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    "column" VARCHAR NOT NULL,
    CHECK (analyte <> ''),
    CHECK (qualifier IN ('', '<', '>', '~'))
);

CREATE TABLE reading_value (
    reading_id BIGINT NOT NULL,
    sample_id VARCHAR NOT NULL,
    kind_id BIGINT NOT NULL,
    value DOUBLE,
    "limit" DOUBLE,
    uncertainty DOUBLE,
    value_low DOUBLE,
    value_high DOUBLE,
    drops FLOAT,
    raw_text VARCHAR NOT NULL,
    line INTEGER NOT NULL,
    CHECK (sample_id <> ''),
    CHECK (isfinite(value)),
    CHECK (isfinite("limit")),
    CHECK (isfinite(uncertainty)),
    CHECK (value IS NOT NULL OR "limit" IS NOT NULL)
);

-- Readings that a declared later report replaces; they stay, and no longer count.
CREATE TABLE superseded (
    reading_id BIGINT NOT NULL,
    batch_id VARCHAR NOT NULL
);

CREATE TABLE finding (
    finding_id BIGINT NOT NULL,
    batch_id VARCHAR NOT NULL,
    sample_id VARCHAR,
    check_id VARCHAR NOT NULL,
    severity VARCHAR NOT NULL,
    observed DOUBLE,
    low DOUBLE,
    high DOUBLE,
    unit VARCHAR NOT NULL,
    message VARCHAR NOT NULL,
    evidence VARCHAR NOT NULL,
    reading_ids VARCHAR NOT NULL,
    analyte VARCHAR NOT NULL,
    file_sha256 VARCHAR,
    CHECK (severity IN ('note', 'hold', 'reject')),
    CHECK (check_id <> '' AND message <> '')
);

CREATE TABLE check_run (
    batch_id VARCHAR NOT NULL,
    check_id VARCHAR NOT NULL,
    evaluated BIGINT NOT NULL,
    not_evaluated BIGINT NOT NULL,
    flagged BIGINT NOT NULL,
    CHECK (evaluated >= 0 AND not_evaluated >= 0 AND flagged >= 0)
);

CREATE TABLE explanation (
    batch_id VARCHAR NOT NULL,
    sample_id VARCHAR NOT NULL,
    rank INTEGER NOT NULL,
    mistake VARCHAR NOT NULL,
    analyte VARCHAR NOT NULL,
    other_analyte VARCHAR NOT NULL,
    detail VARCHAR NOT NULL,
    probability DOUBLE,
    evidence VARCHAR NOT NULL,
    CHECK (rank >= 1),
    CHECK (probability BETWEEN 0 AND 1)
);

CREATE TABLE assessment (
    sample_id VARCHAR NOT NULL,
    quantity VARCHAR NOT NULL,
    value DOUBLE,
    low DOUBLE,
    high DOUBLE,
    unit VARCHAR NOT NULL,
    method VARCHAR NOT NULL,
    batch_id VARCHAR NOT NULL,
    CHECK (quantity <> '')
);

CREATE TABLE advice (
    batch_id VARCHAR NOT NULL,
    client VARCHAR NOT NULL,
    site VARCHAR NOT NULL,
    sample_id VARCHAR NOT NULL,
    decision VARCHAR NOT NULL,
    treatment VARCHAR NOT NULL,
    settings VARCHAR NOT NULL,
    predicted VARCHAR NOT NULL,
    reasons VARCHAR NOT NULL,
    conditions VARCHAR NOT NULL,
    cautions VARCHAR NOT NULL,
    CHECK (decision IN ('decided', 'conditional', 'cannot advise'))
);

-- The registers are kept as written; a later row for the same key is the one in force.
CREATE TABLE site (
    client VARCHAR NOT NULL,
    site VARCHAR NOT NULL,
    region VARCHAR NOT NULL,
    country VARCHAR NOT NULL,
    supply VARCHAR NOT NULL,
    machine VARCHAR NOT NULL,
    treatment VARCHAR NOT NULL,
    litres_per_day VARCHAR NOT NULL,
    comment VARCHAR NOT NULL,
    other VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    line INTEGER,
    batch_id VARCHAR NOT NULL
);

CREATE TABLE machine (
    client VARCHAR NOT NULL,
    site VARCHAR NOT NULL,
    machine VARCHAR NOT NULL,
    comment VARCHAR NOT NULL,
    other VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    line INTEGER,
    batch_id VARCHAR NOT NULL
);

CREATE TABLE treatment (
    client VARCHAR NOT NULL,
    site VARCHAR NOT NULL,
    treatment VARCHAR NOT NULL,
    installed_on VARCHAR NOT NULL,
    bypass_percent VARCHAR NOT NULL,
    counter_litres VARCHAR NOT NULL,
    comment VARCHAR NOT NULL,
    other VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    line INTEGER,
    batch_id VARCHAR NOT NULL
);

CREATE TABLE set_aside (
    batch_id VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    line INTEGER NOT NULL,
    "column" VARCHAR NOT NULL,
    raw_text VARCHAR NOT NULL,
    problem VARCHAR NOT NULL,
    message VARCHAR NOT NULL,
    detail VARCHAR NOT NULL,
    CHECK (problem <> '')
);

CREATE TABLE notice (
    batch_id VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    line INTEGER NOT NULL,
    "column" VARCHAR NOT NULL,
    raw_text VARCHAR NOT NULL,
    problem VARCHAR NOT NULL,
    message VARCHAR NOT NULL,
    detail VARCHAR NOT NULL,
    CHECK (problem <> '')
);

CREATE TABLE decision (
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
    CHECK (action IN ('accept', 'reject', 'correct', 'repeat')),
    CHECK (decided_by <> '' AND why <> ''),
    CHECK (isfinite(value)),
    CHECK (action <> 'correct' OR (value IS NOT NULL AND analyte <> ''))
);
