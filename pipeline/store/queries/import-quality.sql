-- What each input file brought: entries accepted and set aside, copied rows, doubtful units, holds
--   batch_id: batch
--   name: input file
--   status: what became of it
--   accepted: entries accepted
--   set_aside: entries set aside
--   copied: findings of copied readings
--   doubtful_units: findings of doubtful units
--   holds_and_rejects: findings that hold or reject
WITH accepted AS (
    SELECT file_sha256, count(*) AS accepted FROM reading GROUP BY file_sha256
), aside AS (
    SELECT file_sha256, count(*) AS set_aside FROM set_aside GROUP BY file_sha256
), found AS (
    SELECT file_sha256, count(*) FILTER (check_id = 'copied-reading') AS copied,
        count(*) FILTER (check_id IN ('ambiguous-unit', 'unit-copied-down', 'conductivity-unit')) AS doubtful_units,
        count(*) FILTER (severity <> 'note') AS holds_and_rejects
    FROM v_finding
    GROUP BY file_sha256
)
SELECT f.batch_id, f.name, f.status, coalesce(accepted.accepted, 0) AS accepted,
    coalesce(aside.set_aside, 0) AS set_aside,
    coalesce(copied, 0) AS copied, coalesce(doubtful_units, 0) AS doubtful_units,
    coalesce(holds_and_rejects, 0) AS holds_and_rejects
FROM source_file AS f
LEFT JOIN accepted USING (file_sha256)
LEFT JOIN aside USING (file_sha256)
LEFT JOIN found USING (file_sha256)
ORDER BY f.batch_id DESC, f.name;
