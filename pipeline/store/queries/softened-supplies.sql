-- Raw samples with more alkalinity than hardness (softened or natural soda water), with the least sodium, by region
-- The surplus must be carried by sodium or potassium: Na >= (alkalinity - hardness) / 2.177 mg/L, 2.177 being
-- 50.04 mg CaCO3 per meq over 22.99 mg Na per meq [IUPAC2021]. Surplus above 20 mg/L counts [CP].
--   region: region
--   sites: sites with raw water tested
--   sites_softened: of these, sites with a surplus of alkalinity
--   share_percent: their share
--   lowest_sodium_mg_l: smallest sodium that the surplus needs
--   highest_sodium_mg_l: largest
WITH raw AS (
    SELECT *, alkalinity_mg_l_caco3 - coalesce(total_hardness_mg_l_caco3, 0) AS surplus_mg_l_caco3
    FROM v_sample
    WHERE stage = 'raw' AND current_verdict IN ('ok', 'unjudged', 'note') AND activity IN ('', 'routine')
        AND alkalinity_mg_l_caco3 IS NOT NULL
        AND (total_hardness_mg_l_caco3 IS NOT NULL OR sample_id IN (
            SELECT sample_id FROM v_reading WHERE analyte = 'total_hardness' AND qualifier = '<'))
)
SELECT region, count(DISTINCT (client, site)) AS sites,
    count(DISTINCT (client, site)) FILTER (surplus_mg_l_caco3 > 20) AS sites_softened,
    100.0 * count(DISTINCT (client, site)) FILTER (surplus_mg_l_caco3 > 20) / count(DISTINCT (client, site))
        AS share_percent,
    min(surplus_mg_l_caco3 / 2.177) FILTER (surplus_mg_l_caco3 > 20) AS lowest_sodium_mg_l,
    max(surplus_mg_l_caco3 / 2.177) FILTER (surplus_mg_l_caco3 > 20) AS highest_sodium_mg_l
FROM raw
GROUP BY region
ORDER BY region;
