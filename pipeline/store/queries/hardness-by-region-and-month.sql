-- Median and quartiles of hardness, alkalinity and conductivity of usable raw water, by region and month
SELECT region, month, quantity, samples, sites, lower_quartile, median, upper_quartile
FROM v_region
WHERE quantity IN ('total_hardness_mg_l_caco3', 'alkalinity_mg_l_caco3', 'conductivity_us_cm_25c')
ORDER BY region, month, quantity;
