-- Regions where more than 10 % of the usable raw samples exceed 30 or 50 mg/L chloride
-- 30 mg/L: stainless boilers; 50 mg/L: reverse osmosis advised [CP]. A reading below a limit lies below both; one below a
-- limit higher than that counts for neither.
--   region: region
--   samples: samples with chloride, those below a limit of at most 30 mg/L among them
--   below_limit: how many of them lie below the limit of their method
--   sites: sites they come from
--   above_30_percent: share above 30 mg/L, with its interval of 95 % [Wilson 1927]
--   above_30_low_percent: lower end of the interval
--   above_30_high_percent: upper end of the interval
--   above_50_percent: share above 50 mg/L
WITH read AS (
    SELECT sample_id, coalesce(s.chloride_mg_l, CASE WHEN c.lowest <= 30 THEN 0.0 END) AS chloride,
        s.chloride_mg_l IS NULL AS below_limit, s.region, s.client, s.site
    FROM v_sample AS s
    LEFT JOIN (
        SELECT sample_id, min("limit") AS lowest FROM v_reading
        WHERE analyte = 'chloride' AND qualifier = '<' AND counts GROUP BY sample_id
    ) AS c USING (sample_id)
    WHERE s.stage = 'raw' AND s.current_verdict IN ('ok', 'unjudged', 'note') AND s.activity IN ('', 'routine')
), counted AS (
    SELECT region, count(*) AS samples, count(*) FILTER (below_limit) AS below_limit,
        count(DISTINCT (client, site)) AS sites, count(*) FILTER (chloride > 30) / count(*) AS above_30,
        count(*) FILTER (chloride > 50) / count(*) AS above_50
    FROM read
    WHERE chloride IS NOT NULL
    GROUP BY region
)
SELECT region, samples, below_limit, sites, 100.0 * above_30 AS above_30_percent,
    100.0 * (above_30 + 1.9208 / samples - 1.96 * sqrt((above_30 * (1 - above_30) + 0.9604 / samples) / samples))
        / (1 + 3.8416 / samples) AS above_30_low_percent,
    100.0 * (above_30 + 1.9208 / samples + 1.96 * sqrt((above_30 * (1 - above_30) + 0.9604 / samples) / samples))
        / (1 + 3.8416 / samples) AS above_30_high_percent,
    100.0 * above_50 AS above_50_percent
FROM counted
WHERE above_30 > 0.1
ORDER BY above_50_percent DESC, above_30_percent DESC, region;
