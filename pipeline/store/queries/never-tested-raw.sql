-- Sites tested only behind a treatment, without any raw water
--   client: client
--   site: site
--   samples: samples with a stage
--   last_sample: time of the last one, UTC
--   stages: stages that were tested
SELECT client, site, count(*) AS samples, max(collected_at) AS last_sample,
    string_agg(DISTINCT stage, ' ' ORDER BY stage) AS stages
FROM v_sample
WHERE activity IN ('', 'routine')
GROUP BY client, site
HAVING count(*) FILTER (stage = 'raw') = 0 AND count(*) FILTER (stage <> '') > 0
ORDER BY client, site;
