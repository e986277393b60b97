-- Sites not tested for more than a year, the longest first
-- Raw water of a stable utility is tested yearly [CP].
--   client: client
--   site: site
--   last_sample: time of the last sample, UTC
--   days_ago: days since then
SELECT client, site, max(collected_at) AS last_sample,
    date_diff('day', CAST(max(collected_at) AS DATE), getvariable('today')) AS days_ago
FROM v_sample
WHERE activity IN ('', 'routine') AND collected_at IS NOT NULL
GROUP BY client, site
HAVING days_ago > 365
ORDER BY days_ago DESC, client, site;
