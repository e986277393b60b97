-- Sites whose raw water left the coffee zone in the last 90 days, with the first date
-- Zone: total hardness 50-175 and alkalinity 40-75 mg/L as CaCO3 [ECWC2016, second-hand].
--   client: client
--   site: site
--   sampling_point: tap or outlet
--   first_outside: first sample outside, UTC
--   total_hardness_mg_l_caco3: its total hardness
--   alkalinity_mg_l_caco3: its alkalinity
WITH judged AS (
    SELECT client, site, sampling_point, collected_at, total_hardness_mg_l_caco3, alkalinity_mg_l_caco3,
        total_hardness_mg_l_caco3 BETWEEN 50 AND 175 AND alkalinity_mg_l_caco3 BETWEEN 40 AND 75 AS inside
    FROM v_sample
    WHERE stage = 'raw' AND current_verdict IN ('ok', 'unjudged', 'note') AND activity IN ('', 'routine')
        AND collected_at IS NOT NULL AND total_hardness_mg_l_caco3 IS NOT NULL
        AND alkalinity_mg_l_caco3 IS NOT NULL
), stepped AS (
    SELECT *, lag(inside) OVER (
        PARTITION BY client, site, sampling_point ORDER BY collected_at) AS inside_before
    FROM judged
)
SELECT client, site, sampling_point, collected_at AS first_outside, total_hardness_mg_l_caco3,
    alkalinity_mg_l_caco3
FROM stepped
WHERE inside_before AND NOT inside
    AND collected_at >= getvariable('today') - INTERVAL 90 DAY
    AND collected_at < getvariable('today') + INTERVAL 1 DAY
QUALIFY row_number() OVER (PARTITION BY client, site, sampling_point ORDER BY collected_at) = 1
ORDER BY first_outside, client, site;
