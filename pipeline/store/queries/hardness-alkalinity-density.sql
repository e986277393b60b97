-- How raw waters lie in steps of 25 mg/L hardness and alkalinity, by region, with the share inside the coffee zone
-- Zone: total hardness 50-175 and alkalinity 40-75 mg/L as CaCO3 [ECWC2016, second-hand].
--   region: region
--   hardness_from: lower end of the step of hardness [mg/L as CaCO3]
--   alkalinity_from: lower end of the step of alkalinity [mg/L as CaCO3]
--   samples: samples in this cell
--   region_inside_percent: share of the samples of the region inside the zone
WITH raw AS (
    SELECT region, total_hardness_mg_l_caco3 AS hardness, alkalinity_mg_l_caco3 AS alkalinity
    FROM v_sample
    WHERE stage = 'raw' AND current_verdict IN ('ok', 'unjudged', 'note') AND activity IN ('', 'routine')
        AND total_hardness_mg_l_caco3 IS NOT NULL AND alkalinity_mg_l_caco3 IS NOT NULL
)
SELECT region, 25 * floor(hardness / 25) AS hardness_from, 25 * floor(alkalinity / 25) AS alkalinity_from,
    count(*) AS samples,
    100.0 * sum(count(*) FILTER (hardness BETWEEN 50 AND 175 AND alkalinity BETWEEN 40 AND 75))
        OVER (PARTITION BY region) / sum(count(*)) OVER (PARTITION BY region) AS region_inside_percent
FROM raw
GROUP BY region, hardness_from, alkalinity_from
ORDER BY region, hardness_from, alkalinity_from;
