-- Every reading with the sample and the file it belongs to.
CREATE OR REPLACE VIEW v_reading AS
SELECT
    r.reading_id, r.sample_id, s.label, s.client, s.site, s.sampling_point, s.stage, s.region, s.country,
    s.collected_at, s.verdict, r.analyte, r.value, r.unit, r.basis, r.qualifier, r."limit", r.uncertainty,
    r.value_low, r.value_high, r.method, r.preference,
    r.drops, r.note, r.ambiguous, r.instrument, r.raw_text, r.raw_unit, f.name AS file, r.file_sha256, r.line,
    r."column", f.batch_id, r.counts, r.corrects, r.decision_id
FROM counted_reading AS r
LEFT JOIN sample AS s USING (sample_id)
LEFT JOIN source_file AS f ON f.file_sha256 = r.file_sha256 AND f.status <> 'not understood';
COMMENT ON VIEW v_reading IS 'Every reading with the sample and the file it belongs to.';
COMMENT ON COLUMN v_reading.reading_id IS 'Number of the reading; never reused';
COMMENT ON COLUMN v_reading.sample_id IS 'Stable identifier of the sample';
COMMENT ON COLUMN v_reading.label IS 'Sample label as the file wrote it';
COMMENT ON COLUMN v_reading.client IS 'Client';
COMMENT ON COLUMN v_reading.site IS 'Site of the client';
COMMENT ON COLUMN v_reading.sampling_point IS 'Tap or outlet';
COMMENT ON COLUMN v_reading.stage IS 'Where in the treatment: raw, treated, machine_inlet, permeate, bottled, hot_outlet';
COMMENT ON COLUMN v_reading.region IS 'Region';
COMMENT ON COLUMN v_reading.country IS 'Country';
COMMENT ON COLUMN v_reading.collected_at IS 'Time of sampling, UTC';
COMMENT ON COLUMN v_reading.verdict IS 'Verdict when the sample was checked: ok, note, hold, reject';
COMMENT ON COLUMN v_reading.analyte IS 'What was measured';
COMMENT ON COLUMN v_reading.value IS 'Value in the canonical unit; empty if censored';
COMMENT ON COLUMN v_reading.unit IS 'Canonical unit (UCUM code)';
COMMENT ON COLUMN v_reading.basis IS 'What the number counts: as CaCO3, as ion, as NO3, …';
COMMENT ON COLUMN v_reading.qualifier IS '< below limit, > above limit, ~ approximate, empty otherwise';
COMMENT ON COLUMN v_reading."limit" IS 'Limit of a censored reading, canonical unit';
COMMENT ON COLUMN v_reading.uncertainty IS 'Expanded uncertainty, k = 2, canonical unit';
COMMENT ON COLUMN v_reading.value_low IS 'Lower bound of the value';
COMMENT ON COLUMN v_reading.value_high IS 'Upper bound of the value';
COMMENT ON COLUMN v_reading.method IS 'How it was measured';
COMMENT ON COLUMN v_reading.preference IS 'Rank of the method; 1 is preferred';
COMMENT ON COLUMN v_reading.drops IS 'Drops counted';
COMMENT ON COLUMN v_reading.note IS 'What was converted or assumed';
COMMENT ON COLUMN v_reading.ambiguous IS 'Why unit or basis is uncertain; empty if certain';
COMMENT ON COLUMN v_reading.instrument IS 'Instrument or kit';
COMMENT ON COLUMN v_reading.raw_text IS 'Cell as the file wrote it';
COMMENT ON COLUMN v_reading.raw_unit IS 'Unit as the file wrote it';
COMMENT ON COLUMN v_reading.file IS 'Name of the input file';
COMMENT ON COLUMN v_reading.file_sha256 IS 'SHA-256 of the input file, its name in the archive';
COMMENT ON COLUMN v_reading.line IS 'Line of the file';
COMMENT ON COLUMN v_reading."column" IS 'Heading of the column in the file';
COMMENT ON COLUMN v_reading.batch_id IS 'Batch that brought it';
COMMENT ON COLUMN v_reading.counts IS 'False if a declared later report or a decision in force replaces it';
COMMENT ON COLUMN v_reading.corrects IS 'Reading a correction replaces; empty for what came from a file';
COMMENT ON COLUMN v_reading.decision_id IS 'Decision that made a correction; empty for what came from a file';
