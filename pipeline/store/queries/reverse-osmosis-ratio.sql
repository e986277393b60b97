-- Reverse osmosis units whose permeate conducts more than 10 % of the feed, or 50 % more than their own baseline
-- Permeate and raw water of one site within a day; the baseline is the median of the earlier ratios [CP].
--   client: client
--   site: site
--   sampling_point: tap or outlet
--   collected_at: time of the permeate, UTC
--   permeate_us_cm_25c: conductivity of the permeate
--   feed_us_cm_25c: conductivity of the raw water
--   ratio_percent: permeate by feed
--   baseline_percent: median of the earlier ratios
WITH pairs AS (
    SELECT p.client, p.site, p.sampling_point, p.collected_at,
        p.conductivity_us_cm_25c AS permeate_us_cm_25c, f.conductivity_us_cm_25c AS feed_us_cm_25c,
        100 * p.conductivity_us_cm_25c / f.conductivity_us_cm_25c AS ratio_percent
    FROM v_sample AS p
    JOIN v_sample AS f ON f.client = p.client AND f.site = p.site
        AND f.collected_at BETWEEN p.collected_at - INTERVAL 1 DAY AND p.collected_at + INTERVAL 1 DAY
    WHERE p.activity IN ('', 'routine') AND f.activity IN ('', 'routine') AND p.stage = 'permeate' AND f.stage = 'raw' AND f.conductivity_us_cm_25c > 0
        AND p.conductivity_us_cm_25c IS NOT NULL AND p.current_verdict IN ('ok', 'unjudged', 'note')
        AND f.current_verdict IN ('ok', 'unjudged', 'note')
    QUALIFY row_number() OVER (
        PARTITION BY p.sample_id ORDER BY abs(epoch(f.collected_at) - epoch(p.collected_at)), f.sample_id) = 1
), series AS (
    SELECT *, median(ratio_percent) OVER (PARTITION BY client, site, sampling_point ORDER BY collected_at
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS baseline_percent
    FROM pairs
)
SELECT client, site, sampling_point, collected_at, permeate_us_cm_25c, feed_us_cm_25c, ratio_percent,
    baseline_percent
FROM series
WHERE ratio_percent > 10 OR ratio_percent > 1.5 * baseline_percent
ORDER BY client, site, sampling_point, collected_at;
