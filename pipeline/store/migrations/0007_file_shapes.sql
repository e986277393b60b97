-- What people settled for files of one shape (its headings): units that were answered, layouts that were confirmed.

-- Rows are only added: a row without unit and layout says that everything before it is forgotten.
CREATE TABLE file_shape (
    shape VARCHAR,
    headings VARCHAR,
    name VARCHAR,
    unit VARCHAR,
    layout VARCHAR,
    said_by VARCHAR,
    said_at TIMESTAMP,
    file VARCHAR,
    batch_id VARCHAR
);
