-- Every sample on one row, with its numbers side by side.
CREATE OR REPLACE VIEW v_sample AS
WITH candidate AS (
    -- A correction in force comes first; the reading it replaces does not count. Nitrate and nitrite read together
    -- stand for nitrate where that was not read: 62.0049 g/mol of NO3 for 14.0067 g/mol of N.
    SELECT sample_id,
        CASE WHEN together THEN 'nitrate' ELSE analyte END AS analyte,
        CASE WHEN together AND basis = 'as N' THEN value * 62.0049 / 14.0067 ELSE value END AS value,
        CASE WHEN decision_id IS NULL THEN preference ELSE 0 END AS preference,
        together, contains(coalesce(note, ''), 'uncompensated, to 25 °C by') AS computed,
        uncertainty, line, reading_id
    FROM (SELECT *, analyte = 'nitrate_nitrite' AND basis IN ('as N', 'as NO3') AS together FROM counted_reading)
    WHERE counts
), preferred AS (
    -- The preferred method, then what was not computed to 25 °C, then the smaller uncertainty, then the earlier line.
    SELECT sample_id, analyte,
        arg_min_null(value, row(together, preference, computed, coalesce(uncertainty, 1e300), line, reading_id)) AS value
    FROM candidate
    GROUP BY sample_id, analyte
), wide AS (
    SELECT sample_id,
    max(value) FILTER (analyte = 'temperature') AS temperature_c,
    max(value) FILTER (analyte = 'ph') AS ph,
    max(value) FILTER (analyte = 'conductivity') AS conductivity_us_cm_25c,
    max(value) FILTER (analyte = 'tds') AS tds_mg_l,
    max(value) FILTER (analyte = 'total_hardness') AS total_hardness_mg_l_caco3,
    max(value) FILTER (analyte = 'calcium_hardness') AS calcium_hardness_mg_l_caco3,
    max(value) FILTER (analyte = 'magnesium_hardness') AS magnesium_hardness_mg_l_caco3,
    max(value) FILTER (analyte = 'alkalinity') AS alkalinity_mg_l_caco3,
    max(value) FILTER (analyte = 'phenolphthalein_alkalinity') AS phenolphthalein_alkalinity_mg_l_caco3,
    max(value) FILTER (analyte = 'calcium') AS calcium_mg_l,
    max(value) FILTER (analyte = 'magnesium') AS magnesium_mg_l,
    max(value) FILTER (analyte = 'sodium') AS sodium_mg_l,
    max(value) FILTER (analyte = 'potassium') AS potassium_mg_l,
    max(value) FILTER (analyte = 'ammonium') AS ammonium_mg_l,
    max(value) FILTER (analyte = 'bicarbonate') AS bicarbonate_mg_l,
    max(value) FILTER (analyte = 'carbonate') AS carbonate_mg_l,
    max(value) FILTER (analyte = 'chloride') AS chloride_mg_l,
    max(value) FILTER (analyte = 'sulfate') AS sulfate_mg_l,
    max(value) FILTER (analyte = 'nitrate') AS nitrate_mg_l,
    max(value) FILTER (analyte = 'fluoride') AS fluoride_mg_l,
    max(value) FILTER (analyte = 'silica') AS silica_mg_l,
    max(value) FILTER (analyte = 'iron') AS iron_mg_l,
    max(value) FILTER (analyte = 'manganese') AS manganese_mg_l,
    max(value) FILTER (analyte = 'copper') AS copper_mg_l,
    max(value) FILTER (analyte = 'lead') AS lead_mg_l,
    max(value) FILTER (analyte = 'free_chlorine') AS free_chlorine_mg_l,
    max(value) FILTER (analyte = 'total_chlorine') AS total_chlorine_mg_l,
    max(value) FILTER (analyte = 'turbidity') AS turbidity_ntu
    FROM preferred
    GROUP BY sample_id
), corrected AS (
    SELECT sample_id, string_agg(DISTINCT analyte, ' ' ORDER BY analyte) AS analytes
    FROM v_correction
    GROUP BY sample_id
), answered AS (
    SELECT sample_id, bool_or(decision IS NOT NULL) AS any_decision,
        max(greatest(list_position(['ok', 'note', 'hold', 'reject'], current_severity),
            list_position(['ok', 'note', 'hold', 'reject'], severity_alone))) AS worst
    FROM v_finding
    WHERE is_current AND sample_id IS NOT NULL
    GROUP BY sample_id
)
SELECT
    s.sample_id, n.called, s.label, s.client, s.site, s.sampling_point, s.stage, s.region, s.country, s.collected_at,
    s.collected_precision, s.activity, s.supply, s.machine, s.treatment, s.operator, s.comment, s.report_id,
    s.litres_per_day, s.bypass_percent, s.counter_litres, s.verdict,
    CASE WHEN a.any_decision THEN ['ok', 'note', 'hold', 'reject'][a.worst] ELSE s.verdict END
        AS current_verdict,
    w.temperature_c, w.ph, w.conductivity_us_cm_25c, w.tds_mg_l, w.total_hardness_mg_l_caco3,
    w.calcium_hardness_mg_l_caco3, w.magnesium_hardness_mg_l_caco3, w.alkalinity_mg_l_caco3,
    w.phenolphthalein_alkalinity_mg_l_caco3, w.calcium_mg_l, w.magnesium_mg_l, w.sodium_mg_l,
    w.potassium_mg_l, w.ammonium_mg_l, w.bicarbonate_mg_l, w.carbonate_mg_l, w.chloride_mg_l,
    w.sulfate_mg_l, w.nitrate_mg_l, w.fluoride_mg_l, w.silica_mg_l, w.iron_mg_l, w.manganese_mg_l,
    w.copper_mg_l, w.lead_mg_l, w.free_chlorine_mg_l, w.total_chlorine_mg_l, w.turbidity_ntu,
    coalesce(c.analytes, '') AS corrected, s.not_evaluated, s.other, s.file_sha256, s.line, s.batch_id
FROM sample AS s
JOIN sample_name AS n USING (sample_id)
LEFT JOIN wide AS w USING (sample_id)
LEFT JOIN answered AS a USING (sample_id)
LEFT JOIN corrected AS c USING (sample_id);
COMMENT ON VIEW v_sample IS 'Every sample on one row, with its numbers side by side.';
COMMENT ON COLUMN v_sample.sample_id IS 'Stable identifier of the sample';
COMMENT ON COLUMN v_sample.called IS 'Its label, or the file and line of one that has none: "sheet.csv line 7"';
COMMENT ON COLUMN v_sample.label IS 'Sample label as the file wrote it';
COMMENT ON COLUMN v_sample.client IS 'Client';
COMMENT ON COLUMN v_sample.site IS 'Site of the client';
COMMENT ON COLUMN v_sample.sampling_point IS 'Tap or outlet';
COMMENT ON COLUMN v_sample.stage IS 'Where in the treatment: raw, treated, machine_inlet, permeate, bottled, hot_outlet';
COMMENT ON COLUMN v_sample.region IS 'Region';
COMMENT ON COLUMN v_sample.country IS 'Country';
COMMENT ON COLUMN v_sample.collected_at IS 'Time of sampling, UTC';
COMMENT ON COLUMN v_sample.collected_precision IS 'How exactly the time is known';
COMMENT ON COLUMN v_sample.activity IS 'routine, duplicate, blank, standard, spike';
COMMENT ON COLUMN v_sample.supply IS 'Kind of supply';
COMMENT ON COLUMN v_sample.machine IS 'Machine';
COMMENT ON COLUMN v_sample.treatment IS 'Treatment';
COMMENT ON COLUMN v_sample.operator IS 'Who took or measured the sample';
COMMENT ON COLUMN v_sample.comment IS 'Remark of the sampler';
COMMENT ON COLUMN v_sample.report_id IS 'Report number';
COMMENT ON COLUMN v_sample.litres_per_day IS 'Use [L/day]';
COMMENT ON COLUMN v_sample.bypass_percent IS 'Bypass setting [%]';
COMMENT ON COLUMN v_sample.counter_litres IS 'Litres counted since the cartridge was changed';
COMMENT ON COLUMN v_sample.verdict IS 'Verdict when the sample was checked: ok, unjudged, note, hold, reject';
COMMENT ON COLUMN v_sample.current_verdict IS 'Verdict after the decisions in force';
COMMENT ON COLUMN v_sample.temperature_c IS 'Temperature [Cel]';
COMMENT ON COLUMN v_sample.ph IS 'pH [-]';
COMMENT ON COLUMN v_sample.conductivity_us_cm_25c IS 'Conductivity at 25 °C [uS/cm]';
COMMENT ON COLUMN v_sample.tds_mg_l IS 'Total dissolved solids [mg/L]';
COMMENT ON COLUMN v_sample.total_hardness_mg_l_caco3 IS 'Total hardness [mg/L as CaCO3]';
COMMENT ON COLUMN v_sample.calcium_hardness_mg_l_caco3 IS 'Calcium hardness [mg/L as CaCO3]';
COMMENT ON COLUMN v_sample.magnesium_hardness_mg_l_caco3 IS 'Magnesium hardness [mg/L as CaCO3]';
COMMENT ON COLUMN v_sample.alkalinity_mg_l_caco3 IS 'Total alkalinity [mg/L as CaCO3]';
COMMENT ON COLUMN v_sample.phenolphthalein_alkalinity_mg_l_caco3 IS 'Alkalinity to pH 8.3 [mg/L as CaCO3]';
COMMENT ON COLUMN v_sample.calcium_mg_l IS 'Calcium [mg/L as ion]';
COMMENT ON COLUMN v_sample.magnesium_mg_l IS 'Magnesium [mg/L as ion]';
COMMENT ON COLUMN v_sample.sodium_mg_l IS 'Sodium [mg/L as ion]';
COMMENT ON COLUMN v_sample.potassium_mg_l IS 'Potassium [mg/L as ion]';
COMMENT ON COLUMN v_sample.ammonium_mg_l IS 'Ammonium [mg/L as NH4]';
COMMENT ON COLUMN v_sample.bicarbonate_mg_l IS 'Bicarbonate [mg/L as ion]';
COMMENT ON COLUMN v_sample.carbonate_mg_l IS 'Carbonate [mg/L as ion]';
COMMENT ON COLUMN v_sample.chloride_mg_l IS 'Chloride [mg/L as ion]';
COMMENT ON COLUMN v_sample.sulfate_mg_l IS 'Sulfate [mg/L as SO4]';
COMMENT ON COLUMN v_sample.nitrate_mg_l IS 'Nitrate [mg/L as NO3]';
COMMENT ON COLUMN v_sample.fluoride_mg_l IS 'Fluoride [mg/L as ion]';
COMMENT ON COLUMN v_sample.silica_mg_l IS 'Silica [mg/L as SiO2]';
COMMENT ON COLUMN v_sample.iron_mg_l IS 'Iron [mg/L as ion]';
COMMENT ON COLUMN v_sample.manganese_mg_l IS 'Manganese [mg/L as ion]';
COMMENT ON COLUMN v_sample.copper_mg_l IS 'Copper [mg/L as ion]';
COMMENT ON COLUMN v_sample.lead_mg_l IS 'Lead [mg/L as ion]';
COMMENT ON COLUMN v_sample.free_chlorine_mg_l IS 'Free chlorine [mg/L as Cl2]';
COMMENT ON COLUMN v_sample.total_chlorine_mg_l IS 'Total chlorine [mg/L as Cl2]';
COMMENT ON COLUMN v_sample.turbidity_ntu IS 'Turbidity [NTU]';
COMMENT ON COLUMN v_sample.corrected IS 'Quantities whose value is a correction somebody decided on';
COMMENT ON COLUMN v_sample.not_evaluated IS 'Checks that lacked an input';
COMMENT ON COLUMN v_sample.other IS 'Further columns of the file, JSON';
COMMENT ON COLUMN v_sample.file_sha256 IS 'SHA-256 of the input file, its name in the archive';
COMMENT ON COLUMN v_sample.line IS 'Line of its first reading';
COMMENT ON COLUMN v_sample.batch_id IS 'Batch that last checked the sample';
