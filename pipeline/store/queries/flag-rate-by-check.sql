-- How often each check raised a finding, of the samples it could evaluate
--   check_id: the check
--   evaluated: samples it could evaluate, in all batches
--   not_evaluated: samples that lacked an input
--   flagged: samples with a finding of it; several findings of one sample count once
--   flagged_percent: share of the evaluated ones, with its interval of 95 % [Wilson 1927]
--   flagged_low_percent: lower end of the interval
--   flagged_high_percent: upper end of the interval
WITH runs AS (
    SELECT check_id, sum(evaluated) AS evaluated, sum(not_evaluated) AS not_evaluated, sum(flagged) AS findings
    FROM check_run
    GROUP BY check_id
), found AS (
    SELECT check_id, count(DISTINCT (batch_id, sample_id)) AS samples FROM finding WHERE sample_id IS NOT NULL GROUP BY check_id
), counted AS (
    SELECT check_id, evaluated, not_evaluated, least(coalesce(samples, findings), findings, evaluated) AS flagged
    FROM runs
    LEFT JOIN found USING (check_id)
), shares AS (
    SELECT *, flagged / nullif(evaluated, 0) AS share FROM counted
)
SELECT check_id, evaluated, not_evaluated, flagged, 100.0 * share AS flagged_percent,
    100.0 * (share + 1.9208 / evaluated - 1.96 * sqrt((share * (1 - share) + 0.9604 / evaluated) / evaluated))
        / (1 + 3.8416 / evaluated) AS flagged_low_percent,
    100.0 * (share + 1.9208 / evaluated + 1.96 * sqrt((share * (1 - share) + 0.9604 / evaluated) / evaluated))
        / (1 + 3.8416 / evaluated) AS flagged_high_percent
FROM shares
ORDER BY flagged_percent DESC NULLS LAST, check_id;
