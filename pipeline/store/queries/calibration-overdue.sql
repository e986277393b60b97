-- Instruments whose last calibration lay more than 90 days before the sample, or is not known
-- 90 days for field meters [CP].
SELECT s.instrument, count(*) AS samples, count(*) FILTER (s.calibrated_on = '') AS without_date,
    max(TRY_CAST(s.calibrated_on AS DATE)) AS last_calibration, max(s.collected_at) AS last_sample
FROM sample AS s
WHERE s.instrument <> ''
GROUP BY s.instrument
HAVING last_calibration IS NULL OR date_diff('day', last_calibration, CAST(last_sample AS DATE)) > 90
ORDER BY s.instrument;
