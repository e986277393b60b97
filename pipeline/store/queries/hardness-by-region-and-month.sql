-- Median and quartiles of hardness, alkalinity and conductivity of usable raw water, by region and month, and what of it is change
-- Medians follow whichever site was sampled; against_own_percent compares every site with its own median of all years.
--   region: region
--   month: first day of the month
--   quantity: column of v_sample
--   samples: samples
--   sites: sites they come from
--   lower_quartile: 25 % quantile of whoever was sampled
--   median: median of whoever was sampled
--   upper_quartile: 75 % quantile
--   against_own_percent: median departure of the sampled sites from their own median
--   own_low_percent: 25 % quantile of these departures
--   own_high_percent: 75 % quantile of these departures
WITH numbers AS (
    UNPIVOT (
        SELECT region, CAST(date_trunc('month', collected_at) AS DATE) AS month, client, site, sampling_point,
            total_hardness_mg_l_caco3, alkalinity_mg_l_caco3, conductivity_us_cm_25c
        FROM v_sample
        WHERE stage = 'raw' AND current_verdict IN ('ok', 'unjudged', 'note') AND activity IN ('', 'routine')
    )
    ON total_hardness_mg_l_caco3, alkalinity_mg_l_caco3, conductivity_us_cm_25c
    INTO NAME quantity VALUE value
), own AS (
    SELECT *, 100 * (value / nullif(median(value) OVER (PARTITION BY client, site, sampling_point, region, quantity), 0) - 1)
        AS departure
    FROM numbers
), counted AS (
    SELECT region, month, quantity, count(*) AS samples, count(DISTINCT (client, site)) AS sites,
        quantile_cont(value, [0.25, 0.5, 0.75]) AS quartiles, quantile_cont(departure, [0.25, 0.5, 0.75]) AS departures
    FROM own
    GROUP BY region, month, quantity
)
SELECT region, month, quantity, samples, sites, quartiles[1] AS lower_quartile, quartiles[2] AS median,
    quartiles[3] AS upper_quartile, departures[2] AS against_own_percent, departures[1] AS own_low_percent,
    departures[3] AS own_high_percent
FROM counted
ORDER BY region, month, quantity;
