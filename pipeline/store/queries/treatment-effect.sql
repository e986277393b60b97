-- What each treatment changed: medians of treated minus raw for pairs of one site within a day
--   treatment: treatment, by its name in the register of treatments; as written where no such treatment is known
--   pairs: pairs of treated and raw water
--   sites: sites they come from
--   hardness_mg_l_caco3: median change of total hardness
--   hardness_low: 25 % quantile of it
--   hardness_high: 75 % quantile of it
--   alkalinity_mg_l_caco3: median change of alkalinity
--   alkalinity_low: 25 % quantile of it
--   alkalinity_high: 75 % quantile of it
--   sodium_mg_l: median change of sodium
--   ph: median change of pH
WITH usable AS MATERIALIZED (
    SELECT sample_id, client, site, stage, treatment, collected_at, total_hardness_mg_l_caco3, alkalinity_mg_l_caco3,
        sodium_mg_l, ph
    FROM v_sample
    WHERE activity IN ('', 'routine') AND current_verdict IN ('ok', 'unjudged', 'note')
), pairs AS (
    SELECT coalesce(nullif(m.meant, ''), t.treatment) AS treatment, t.client, t.site, t.sample_id,
        t.total_hardness_mg_l_caco3 - r.total_hardness_mg_l_caco3 AS hardness_change,
        t.alkalinity_mg_l_caco3 - r.alkalinity_mg_l_caco3 AS alkalinity_change,
        t.sodium_mg_l - r.sodium_mg_l AS sodium_change, t.ph - r.ph AS ph_change
    FROM usable AS t
    LEFT JOIN treatment_meaning AS m ON m.treatment = t.treatment
    JOIN usable AS r ON r.client = t.client AND r.site = t.site
        AND r.collected_at BETWEEN t.collected_at - INTERVAL 1 DAY AND t.collected_at + INTERVAL 1 DAY
    WHERE t.stage IN ('treated', 'machine_inlet', 'permeate') AND r.stage = 'raw'
    QUALIFY row_number() OVER (
        PARTITION BY t.sample_id ORDER BY abs(epoch(r.collected_at) - epoch(t.collected_at)), r.sample_id) = 1
)
SELECT treatment, count(*) AS pairs, count(DISTINCT (client, site)) AS sites,
    median(hardness_change) AS hardness_mg_l_caco3, quantile_cont(hardness_change, 0.25) AS hardness_low, quantile_cont(hardness_change, 0.75) AS hardness_high,
    median(alkalinity_change) AS alkalinity_mg_l_caco3, quantile_cont(alkalinity_change, 0.25) AS alkalinity_low,
    quantile_cont(alkalinity_change, 0.75) AS alkalinity_high,
    median(sodium_change) AS sodium_mg_l, median(ph_change) AS ph
FROM pairs
GROUP BY treatment
ORDER BY pairs DESC, treatment;
