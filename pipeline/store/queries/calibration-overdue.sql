-- Instruments whose last calibration lay more than 90 days before the sample, or is not known
-- 90 days for field meters [CP].
--   instrument: instrument
--   samples: samples read with it
--   without_date: of these, samples that name no day of calibration
--   last_calibration: last day of calibration known
--   last_sample: time of the last sample, UTC
WITH used AS (
    SELECT DISTINCT r.instrument, r.sample_id, s.calibrated_on, s.collected_at
    FROM reading AS r
    JOIN sample AS s USING (sample_id)
    WHERE r.instrument <> ''
)
SELECT instrument, count(*) AS samples, count(*) FILTER (calibrated_on IS NULL) AS without_date,
    CAST(max(calibrated_on) AS DATE) AS last_calibration, max(collected_at) AS last_sample
FROM used
GROUP BY instrument
HAVING last_calibration IS NULL OR date_diff('day', last_calibration, CAST(last_sample AS DATE)) > 90
ORDER BY instrument;
