-- How often each check raised a finding, per hundred samples it could evaluate
SELECT check_id, sum(evaluated) AS evaluated, sum(not_evaluated) AS not_evaluated, sum(flagged) AS flagged,
    100.0 * sum(flagged) / nullif(sum(evaluated), 0) AS flagged_percent
FROM check_run
GROUP BY check_id
ORDER BY flagged_percent DESC NULLS LAST, check_id;
