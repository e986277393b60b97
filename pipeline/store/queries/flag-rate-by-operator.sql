-- Findings by operator, and the share of samples that were held or rejected, by their own findings or by one of their file
--   operator: who took or measured the samples; empty where none is named
--   samples: samples of waters
--   notes: notes about these samples
--   holds_and_rejects: findings that hold or reject one of them
--   samples_held: samples that a finding of their own or of their whole file holds or rejects
--   samples_held_percent: share of the samples, with its interval of 95 % [Wilson 1927]
--   held_low_percent: lower end of the interval
--   held_high_percent: upper end of the interval
WITH own AS (
    SELECT sample_id, count(*) FILTER (severity = 'note') AS notes, count(*) FILTER (severity <> 'note') AS holds
    FROM v_finding
    WHERE is_current AND sample_id IS NOT NULL
    GROUP BY sample_id
), counted AS (
    SELECT operator, count(*) AS samples, coalesce(sum(notes), 0) AS notes, coalesce(sum(holds), 0) AS holds_and_rejects,
        count(*) FILTER (holds > 0 OR verdict IN ('hold', 'reject')) AS samples_held
    FROM v_sample
    LEFT JOIN own USING (sample_id)
    WHERE activity IN ('', 'routine')
    GROUP BY operator
), shares AS (
    SELECT *, samples_held / samples AS share FROM counted
)
SELECT operator, samples, notes, holds_and_rejects, samples_held, 100.0 * share AS samples_held_percent,
    100.0 * (share + 1.9208 / samples - 1.96 * sqrt((share * (1 - share) + 0.9604 / samples) / samples))
        / (1 + 3.8416 / samples) AS held_low_percent,
    100.0 * (share + 1.9208 / samples + 1.96 * sqrt((share * (1 - share) + 0.9604 / samples) / samples))
        / (1 + 3.8416 / samples) AS held_high_percent
FROM shares
ORDER BY samples_held_percent DESC, operator;
