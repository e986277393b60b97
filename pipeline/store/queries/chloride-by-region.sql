-- Regions where more than 10 % of the usable raw samples exceed 30 or 50 mg/L chloride
-- 30 mg/L: stainless boilers; 50 mg/L: reverse osmosis advised [CP].
SELECT region, count(chloride_mg_l) AS samples,
    100.0 * count(*) FILTER (chloride_mg_l > 30) / count(chloride_mg_l) AS above_30_percent,
    100.0 * count(*) FILTER (chloride_mg_l > 50) / count(chloride_mg_l) AS above_50_percent
FROM v_sample
WHERE stage = 'raw' AND current_verdict IN ('ok', 'unjudged', 'note') AND activity IN ('', 'routine')
GROUP BY region
HAVING count(chloride_mg_l) > 0 AND above_30_percent > 10
ORDER BY above_50_percent DESC, above_30_percent DESC, region;
