-- Raw water by region and month: how the numbers of usable samples are spread.
CREATE OR REPLACE VIEW v_region AS
WITH numbers AS (
    UNPIVOT (
        SELECT * EXCLUDE (called, label, client, sampling_point, stage, country, collected_precision, activity, supply,
            machine, treatment, operator, comment, report_id, litres_per_day, bypass_percent,
            counter_litres, verdict, current_verdict, corrected, not_evaluated, other, file_sha256, line,
            batch_id)
        FROM v_sample
        WHERE stage = 'raw' AND current_verdict IN ('ok', 'unjudged', 'note') AND activity IN ('', 'routine')
    )
    ON COLUMNS(* EXCLUDE (sample_id, site, region, collected_at))
    INTO NAME quantity VALUE value
)
SELECT
    region, CAST(date_trunc('month', collected_at) AS DATE) AS month, quantity, count(*) AS samples,
    count(DISTINCT site) AS sites, min(value) AS lowest, quantile_cont(value, 0.25) AS lower_quartile,
    median(value) AS median, quantile_cont(value, 0.75) AS upper_quartile, max(value) AS highest
FROM numbers
GROUP BY region, month, quantity;
COMMENT ON VIEW v_region IS 'Raw water by region and month: how the numbers of usable samples are spread.';
COMMENT ON COLUMN v_region.region IS 'Region';
COMMENT ON COLUMN v_region.month IS 'First day of the month';
COMMENT ON COLUMN v_region.quantity IS 'Column of v_sample';
COMMENT ON COLUMN v_region.samples IS 'Number of samples';
COMMENT ON COLUMN v_region.sites IS 'Number of sites';
COMMENT ON COLUMN v_region.lowest IS 'Smallest value';
COMMENT ON COLUMN v_region.lower_quartile IS '25 % quantile';
COMMENT ON COLUMN v_region.median IS 'Median';
COMMENT ON COLUMN v_region.upper_quartile IS '75 % quantile';
COMMENT ON COLUMN v_region.highest IS 'Largest value';
