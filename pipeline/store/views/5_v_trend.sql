-- Every quantity of every sampling point through time, with the step from the sample before.
CREATE OR REPLACE VIEW v_trend AS
WITH numbers AS (
    UNPIVOT (
        SELECT * EXCLUDE (called, label, region, country, collected_precision, activity, supply, machine, treatment,
            operator, comment, report_id, litres_per_day, bypass_percent, verdict,
            corrected, not_evaluated, other, file_sha256, line, batch_id)
        FROM v_sample
        WHERE current_verdict IN ('ok', 'unjudged', 'note') AND collected_at IS NOT NULL AND activity IN ('', 'routine')
    )
    ON COLUMNS(* EXCLUDE (sample_id, client, site, sampling_point, stage, collected_at, counter_litres,
        current_verdict))
    INTO NAME quantity VALUE value
)
SELECT
    client, site, sampling_point, stage, quantity, collected_at, sample_id, value, counter_litres,
    lag(value) OVER series AS previous_value,
    value - lag(value) OVER series AS change,
    100 * (value - lag(value) OVER series) / nullif(lag(value) OVER series, 0) AS change_percent,
    date_diff('day', lag(collected_at) OVER series, collected_at) AS days_since_previous,
    current_verdict
FROM numbers
WINDOW series AS (
    -- Samples that name neither client nor site have no past together.
    PARTITION BY client, site, sampling_point, stage, quantity, CASE WHEN client = '' AND site = '' THEN sample_id ELSE '' END
    ORDER BY collected_at, sample_id
);
COMMENT ON VIEW v_trend IS 'Every quantity of every sampling point through time, with the step from the sample before.';
COMMENT ON COLUMN v_trend.client IS 'Client';
COMMENT ON COLUMN v_trend.site IS 'Site of the client';
COMMENT ON COLUMN v_trend.sampling_point IS 'Tap or outlet';
COMMENT ON COLUMN v_trend.stage IS 'Where in the treatment: raw, treated, machine_inlet, permeate, bottled, hot_outlet';
COMMENT ON COLUMN v_trend.quantity IS 'Column of v_sample';
COMMENT ON COLUMN v_trend.collected_at IS 'Time of sampling, UTC';
COMMENT ON COLUMN v_trend.sample_id IS 'Stable identifier of the sample';
COMMENT ON COLUMN v_trend.value IS 'Value in the canonical unit; empty if censored';
COMMENT ON COLUMN v_trend.counter_litres IS 'Litres counted since the cartridge was changed';
COMMENT ON COLUMN v_trend.previous_value IS 'Value of the sample before';
COMMENT ON COLUMN v_trend.change IS 'Value minus the one before';
COMMENT ON COLUMN v_trend.change_percent IS 'Change in percent of the value before';
COMMENT ON COLUMN v_trend.days_since_previous IS 'Days since the sample before';
COMMENT ON COLUMN v_trend.current_verdict IS 'Verdict after the decisions in force';
