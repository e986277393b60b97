-- Sites whose raw hardness, alkalinity and conductivity shifted together by more than 15 %: a source change
-- Medians of three samples before and three from the date on; all three in one direction, with the ratio of
-- conductivity to hardness kept within 15 %; one quantity alone is a reading fault [CP].
WITH raw AS (
    SELECT client, site, sampling_point, collected_at, total_hardness_mg_l_caco3 AS hardness,
        alkalinity_mg_l_caco3 AS alkalinity, conductivity_us_cm_25c AS conductivity
    FROM v_sample
    WHERE stage = 'raw' AND current_verdict IN ('ok', 'unjudged', 'note') AND activity IN ('', 'routine')
        AND collected_at IS NOT NULL AND total_hardness_mg_l_caco3 > 0 AND alkalinity_mg_l_caco3 > 0
        AND conductivity_us_cm_25c > 0
), windows AS (
    SELECT client, site, sampling_point, collected_at,
        median(hardness) OVER before_it AS hardness_before, median(hardness) OVER from_it AS hardness_after,
        median(alkalinity) OVER before_it AS alkalinity_before,
        median(alkalinity) OVER from_it AS alkalinity_after,
        median(conductivity) OVER before_it AS conductivity_before,
        median(conductivity) OVER from_it AS conductivity_after,
        count(*) OVER before_it AS samples_before, count(*) OVER from_it AS samples_after
    FROM raw
    WINDOW
        before_it AS (PARTITION BY client, site, sampling_point ORDER BY collected_at
            ROWS BETWEEN 3 PRECEDING AND 1 PRECEDING),
        from_it AS (PARTITION BY client, site, sampling_point ORDER BY collected_at
            ROWS BETWEEN CURRENT ROW AND 2 FOLLOWING)
), ratios AS (
    SELECT *, hardness_after / hardness_before - 1 AS hardness_shift,
        alkalinity_after / alkalinity_before - 1 AS alkalinity_shift,
        conductivity_after / conductivity_before - 1 AS conductivity_shift
    FROM windows
    WHERE samples_before = 3 AND samples_after = 3
)
SELECT client, site, sampling_point, collected_at AS changed_at, hardness_before, hardness_after,
    alkalinity_before, alkalinity_after, conductivity_before, conductivity_after
FROM ratios
WHERE least(abs(hardness_shift), abs(alkalinity_shift), abs(conductivity_shift)) > 0.15
    AND sign(hardness_shift) = sign(alkalinity_shift) AND sign(hardness_shift) = sign(conductivity_shift)
    AND abs((1 + conductivity_shift) / (1 + hardness_shift) - 1) <= 0.15
QUALIFY row_number() OVER (
    PARTITION BY client, site, sampling_point ORDER BY abs(hardness_shift) DESC, collected_at) = 1
ORDER BY client, site, sampling_point;
