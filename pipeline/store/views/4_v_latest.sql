-- The latest usable sample of every sampling point; one that names neither client nor site is its own.
CREATE OR REPLACE VIEW v_latest AS
SELECT *
FROM v_sample
WHERE current_verdict IN ('ok', 'unjudged', 'note') AND collected_at IS NOT NULL AND activity IN ('', 'routine')
QUALIFY row_number() OVER (
    PARTITION BY client, site, sampling_point, stage, CASE WHEN client = '' AND site = '' THEN sample_id ELSE '' END
    ORDER BY collected_at DESC, sample_id DESC
) = 1;
COMMENT ON VIEW v_latest IS 'The latest usable sample of every sampling point.';
COMMENT ON COLUMN v_latest.sample_id IS 'Stable identifier of the sample';
COMMENT ON COLUMN v_latest.called IS 'Its label, or the file and line of one that has none: "sheet.csv line 7"';
COMMENT ON COLUMN v_latest.label IS 'Sample label as the file wrote it';
COMMENT ON COLUMN v_latest.client IS 'Client';
COMMENT ON COLUMN v_latest.site IS 'Site of the client';
COMMENT ON COLUMN v_latest.sampling_point IS 'Tap or outlet';
COMMENT ON COLUMN v_latest.stage IS 'Where in the treatment: raw, treated, machine_inlet, permeate, bottled, hot_outlet';
COMMENT ON COLUMN v_latest.region IS 'Region';
COMMENT ON COLUMN v_latest.country IS 'Country';
COMMENT ON COLUMN v_latest.collected_at IS 'Time of sampling, UTC';
COMMENT ON COLUMN v_latest.collected_precision IS 'How exactly the time is known';
COMMENT ON COLUMN v_latest.activity IS 'routine, duplicate, blank, standard, spike';
COMMENT ON COLUMN v_latest.supply IS 'Kind of supply';
COMMENT ON COLUMN v_latest.machine IS 'Machine';
COMMENT ON COLUMN v_latest.treatment IS 'Treatment';
COMMENT ON COLUMN v_latest.operator IS 'Who took or measured the sample';
COMMENT ON COLUMN v_latest.comment IS 'Remark of the sampler';
COMMENT ON COLUMN v_latest.report_id IS 'Report number';
COMMENT ON COLUMN v_latest.litres_per_day IS 'Use [L/day]';
COMMENT ON COLUMN v_latest.bypass_percent IS 'Bypass setting [%]';
COMMENT ON COLUMN v_latest.counter_litres IS 'Litres counted since the cartridge was changed';
COMMENT ON COLUMN v_latest.verdict IS 'Verdict when the sample was checked: ok, note, hold, reject';
COMMENT ON COLUMN v_latest.current_verdict IS 'Verdict after the decisions in force';
COMMENT ON COLUMN v_latest.temperature_c IS 'Temperature [Cel]';
COMMENT ON COLUMN v_latest.ph IS 'pH [-]';
COMMENT ON COLUMN v_latest.conductivity_us_cm_25c IS 'Conductivity at 25 °C [uS/cm]';
COMMENT ON COLUMN v_latest.tds_mg_l IS 'Total dissolved solids [mg/L]';
COMMENT ON COLUMN v_latest.total_hardness_mg_l_caco3 IS 'Total hardness [mg/L as CaCO3]';
COMMENT ON COLUMN v_latest.calcium_hardness_mg_l_caco3 IS 'Calcium hardness [mg/L as CaCO3]';
COMMENT ON COLUMN v_latest.magnesium_hardness_mg_l_caco3 IS 'Magnesium hardness [mg/L as CaCO3]';
COMMENT ON COLUMN v_latest.alkalinity_mg_l_caco3 IS 'Total alkalinity [mg/L as CaCO3]';
COMMENT ON COLUMN v_latest.phenolphthalein_alkalinity_mg_l_caco3 IS 'Alkalinity to pH 8.3 [mg/L as CaCO3]';
COMMENT ON COLUMN v_latest.calcium_mg_l IS 'Calcium [mg/L as ion]';
COMMENT ON COLUMN v_latest.magnesium_mg_l IS 'Magnesium [mg/L as ion]';
COMMENT ON COLUMN v_latest.sodium_mg_l IS 'Sodium [mg/L as ion]';
COMMENT ON COLUMN v_latest.potassium_mg_l IS 'Potassium [mg/L as ion]';
COMMENT ON COLUMN v_latest.ammonium_mg_l IS 'Ammonium [mg/L as NH4]';
COMMENT ON COLUMN v_latest.bicarbonate_mg_l IS 'Bicarbonate [mg/L as ion]';
COMMENT ON COLUMN v_latest.carbonate_mg_l IS 'Carbonate [mg/L as ion]';
COMMENT ON COLUMN v_latest.chloride_mg_l IS 'Chloride [mg/L as ion]';
COMMENT ON COLUMN v_latest.sulfate_mg_l IS 'Sulfate [mg/L as SO4]';
COMMENT ON COLUMN v_latest.nitrate_mg_l IS 'Nitrate [mg/L as NO3]';
COMMENT ON COLUMN v_latest.fluoride_mg_l IS 'Fluoride [mg/L as ion]';
COMMENT ON COLUMN v_latest.silica_mg_l IS 'Silica [mg/L as SiO2]';
COMMENT ON COLUMN v_latest.iron_mg_l IS 'Iron [mg/L as ion]';
COMMENT ON COLUMN v_latest.manganese_mg_l IS 'Manganese [mg/L as ion]';
COMMENT ON COLUMN v_latest.copper_mg_l IS 'Copper [mg/L as ion]';
COMMENT ON COLUMN v_latest.lead_mg_l IS 'Lead [mg/L as ion]';
COMMENT ON COLUMN v_latest.free_chlorine_mg_l IS 'Free chlorine [mg/L as Cl2]';
COMMENT ON COLUMN v_latest.total_chlorine_mg_l IS 'Total chlorine [mg/L as Cl2]';
COMMENT ON COLUMN v_latest.turbidity_ntu IS 'Turbidity [NTU]';
COMMENT ON COLUMN v_latest.corrected IS 'Quantities whose value is a correction somebody decided on';
COMMENT ON COLUMN v_latest.not_evaluated IS 'Checks that lacked an input';
COMMENT ON COLUMN v_latest.other IS 'Further columns of the file, JSON';
COMMENT ON COLUMN v_latest.file_sha256 IS 'SHA-256 of the input file, its name in the archive';
COMMENT ON COLUMN v_latest.line IS 'Line of its first reading';
COMMENT ON COLUMN v_latest.batch_id IS 'Batch that last checked the sample';
