-- Every accepted reading, whole: what its file says of it and how it was understood.
CREATE OR REPLACE VIEW reading AS
SELECT
    v.reading_id, v.sample_id, k.analyte, v.value, k.unit, k.basis, k.qualifier, v."limit", v.uncertainty, k.method,
    v.drops, v.raw_text, k.raw_unit, k.file_sha256, v.line, k."column", v.value_low, v.value_high, k.form,
    k.degree_per_drop, k.nominal_ml, k.used_ml, k.raw_basis, k.note, k.instrument, k.ambiguous, k.status,
    v.corrects, v.decision_id
FROM reading_value AS v
JOIN reading_kind AS k USING (kind_id);
COMMENT ON VIEW reading IS 'Every accepted reading, whole; append-only.';
COMMENT ON COLUMN reading.reading_id IS 'Number of the reading; never reused';
COMMENT ON COLUMN reading.sample_id IS 'Stable identifier of the sample';
COMMENT ON COLUMN reading.analyte IS 'What was measured';
COMMENT ON COLUMN reading.value IS 'Value in the canonical unit; empty if censored';
COMMENT ON COLUMN reading.unit IS 'Canonical unit (UCUM code)';
COMMENT ON COLUMN reading.basis IS 'What the number counts: as CaCO3, as ion, as NO3, …';
COMMENT ON COLUMN reading.qualifier IS '< below limit, > above limit, ~ approximate, empty otherwise';
COMMENT ON COLUMN reading."limit" IS 'Limit of a censored reading, canonical unit';
COMMENT ON COLUMN reading.uncertainty IS 'Expanded uncertainty, k = 2, canonical unit';
COMMENT ON COLUMN reading.method IS 'How it was measured';
COMMENT ON COLUMN reading.drops IS 'Drops counted';
COMMENT ON COLUMN reading.raw_text IS 'Cell as the file wrote it';
COMMENT ON COLUMN reading.raw_unit IS 'Unit as the file wrote it';
COMMENT ON COLUMN reading.file_sha256 IS 'SHA-256 of the input file, its name in the archive';
COMMENT ON COLUMN reading.line IS 'Line of the file';
COMMENT ON COLUMN reading."column" IS 'Heading of the column in the file';
COMMENT ON COLUMN reading.value_low IS 'Lower bound of the value';
COMMENT ON COLUMN reading.value_high IS 'Upper bound of the value';
COMMENT ON COLUMN reading.form IS 'How the entry is written: value, drops, typed, titrant_ml';
COMMENT ON COLUMN reading.degree_per_drop IS 'Value of one drop, mg/L as CaCO3';
COMMENT ON COLUMN reading.nominal_ml IS 'Sample volume the kit asks for, mL';
COMMENT ON COLUMN reading.used_ml IS 'Sample volume taken, mL';
COMMENT ON COLUMN reading.raw_basis IS 'What the number counts, as the file wrote it';
COMMENT ON COLUMN reading.note IS 'What was converted or assumed';
COMMENT ON COLUMN reading.instrument IS 'Instrument or kit';
COMMENT ON COLUMN reading.ambiguous IS 'Why unit or basis is uncertain; empty if certain';
COMMENT ON COLUMN reading.status IS 'Remark of the laboratory';
COMMENT ON COLUMN reading.corrects IS 'Reading a correction replaces; empty for what came from a file';
COMMENT ON COLUMN reading.decision_id IS 'Decision that made a correction; empty for what came from a file';
