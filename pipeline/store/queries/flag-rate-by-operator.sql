-- Findings per sample by operator
WITH counted AS (
    SELECT sample_id, count(*) FILTER (severity = 'note') AS notes, count(*) FILTER (severity <> 'note') AS holds
    FROM v_finding
    WHERE is_current AND sample_id IS NOT NULL
    GROUP BY sample_id
)
SELECT operator, count(*) AS samples, coalesce(sum(notes), 0) AS notes,
    coalesce(sum(holds), 0) AS holds_and_rejects,
    100.0 * count(*) FILTER (holds > 0) / count(*) AS samples_held_percent
FROM v_sample
LEFT JOIN counted USING (sample_id)
WHERE activity IN ('', 'routine')
GROUP BY operator
ORDER BY samples_held_percent DESC, operator;
