-- Findings by instrument or kit, and the share of samples read with it that were held or rejected
--   instrument: instrument or kit
--   samples: samples of waters that were read with it
--   samples_held: samples that a finding of their own or of their whole file holds or rejects
--   samples_held_percent: share of the samples, with its interval of 95 % [Wilson 1927]
--   held_low_percent: lower end of the interval
--   held_high_percent: upper end of the interval
WITH counted AS (
    SELECT r.instrument, count(DISTINCT s.sample_id) AS samples,
        count(DISTINCT s.sample_id) FILTER (s.verdict IN ('hold', 'reject')) AS samples_held
    FROM reading AS r
    JOIN v_sample AS s USING (sample_id)
    WHERE r.instrument <> '' AND s.activity IN ('', 'routine')
    GROUP BY r.instrument
), shares AS (
    SELECT *, samples_held / samples AS share FROM counted
)
SELECT instrument, samples, samples_held, 100.0 * share AS samples_held_percent,
    100.0 * (share + 1.9208 / samples - 1.96 * sqrt((share * (1 - share) + 0.9604 / samples) / samples))
        / (1 + 3.8416 / samples) AS held_low_percent,
    100.0 * (share + 1.9208 / samples + 1.96 * sqrt((share * (1 - share) + 0.9604 / samples) / samples))
        / (1 + 3.8416 / samples) AS held_high_percent
FROM shares
ORDER BY samples_held_percent DESC, instrument;
