-- The numbers of the changes that the journal beside the archive has; see store/journal.py.
CREATE TABLE journal_entry (
    number BIGINT,
    sha256 VARCHAR
);
