-- Operators whose drop counts differ from the laboratory by more than half a drop on average
SELECT s.operator, k.analyte, count(*) AS pairs, avg((k.value - l.value) / r.degree_per_drop) AS mean_drops,
    abs(avg((k.value - l.value) / r.degree_per_drop)) > 0.5 AS beyond_half_a_drop
FROM v_reading AS k
JOIN reading AS r USING (reading_id)
JOIN v_reading AS l ON l.sample_id = k.sample_id AND l.analyte = k.analyte AND l.method = 'laboratory'
JOIN v_sample AS s ON s.sample_id = k.sample_id
WHERE k.method = 'drops' AND r.degree_per_drop > 0 AND k.value IS NOT NULL AND l.value IS NOT NULL
GROUP BY s.operator, k.analyte
ORDER BY abs(mean_drops) DESC, s.operator, k.analyte;
