-- Operators whose drop counts differ from the laboratory, in drops, at the same sample or within three days at the same tap
-- The end point lies within the last drop: a count of n stands for n - 1/2 drops, so that honest counts come to 0.
-- Beyond half a drop on average, over five pairs or more whose interval leaves 0 out, is worth a talk [CP].
--   operator: who counted
--   analyte: what was counted
--   pairs: counts with a laboratory's reading beside them
--   mean_drops: mean of kit less laboratory
--   low_drops: lower end of its interval of 95 %; empty with fewer than two pairs
--   high_drops: upper end of its interval
--   beyond_half_a_drop: whether that is more than half a drop and no chance
WITH kit AS (
    SELECT k.reading_id, k.sample_id, k.analyte, k.client, k.site, k.sampling_point, k.stage, k.collected_at,
        (k.value_low + k.value_high) / 2 AS middle, r.degree_per_drop * coalesce(r.nominal_ml / nullif(r.used_ml, 0), 1) AS drop
    FROM v_reading AS k
    JOIN reading AS r USING (reading_id)
    WHERE k.method = 'drops' AND k.counts AND r.degree_per_drop > 0 AND k.value IS NOT NULL
        AND k.value_low IS NOT NULL AND k.value_high IS NOT NULL
), laboratory AS (
    SELECT sample_id, analyte, client, site, sampling_point, stage, collected_at, value
    FROM v_reading
    WHERE method IN ('laboratory', 'burette') AND counts AND value IS NOT NULL
), paired AS (
    SELECT k.*, l.value, 0.0 AS apart FROM kit AS k JOIN laboratory AS l USING (sample_id, analyte)
    UNION ALL
    SELECT k.*, l.value, abs(epoch(l.collected_at) - epoch(k.collected_at)) AS apart
    FROM kit AS k
    JOIN laboratory AS l USING (analyte, client, site, sampling_point, stage)
    WHERE l.sample_id <> k.sample_id AND (k.client <> '' OR k.site <> '')
        AND l.collected_at BETWEEN k.collected_at - INTERVAL 3 DAY AND k.collected_at + INTERVAL 3 DAY
), nearest AS (
    SELECT * FROM paired QUALIFY row_number() OVER (PARTITION BY reading_id ORDER BY apart, value) = 1
), counted AS (
    SELECT s.operator, n.analyte, count(*) AS pairs, avg((n.middle - n.value) / n.drop) AS mean_drops,
        1.96 * stddev_samp((n.middle - n.value) / n.drop) / sqrt(count(*)) AS half
    FROM nearest AS n
    JOIN v_sample AS s ON s.sample_id = n.sample_id
    GROUP BY s.operator, n.analyte
)
SELECT operator, analyte, pairs, mean_drops, mean_drops - half AS low_drops, mean_drops + half AS high_drops,
    pairs >= 5 AND abs(mean_drops) > 0.5 AND abs(mean_drops) > half AS beyond_half_a_drop
FROM counted
ORDER BY beyond_half_a_drop DESC, abs(mean_drops) DESC, operator, analyte;
