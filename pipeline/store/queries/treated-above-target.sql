-- Treated waters whose alkalinity lies above the coffee zone by more than one drop: sites, litres since the change
-- Zone: alkalinity up to 75 mg/L as CaCO3 [ECWC2016, second-hand]; one drop of 1 °dH: 17.85 mg/L.
--   client: client
--   site: site
--   sampling_point: tap or outlet
--   treatment: treatment, by its name in the register of treatments; as written where no such treatment is known
--   collected_at: time of the latest sample that says so, UTC
--   alkalinity_mg_l_caco3: its alkalinity
--   counter_litres: litres on the counter since the change of the medium; empty where not read
SELECT s.client, s.site, s.sampling_point, coalesce(nullif(m.meant, ''), s.treatment) AS treatment, s.collected_at,
    s.alkalinity_mg_l_caco3, s.counter_litres
FROM v_sample AS s
LEFT JOIN treatment_meaning AS m ON m.treatment = s.treatment
WHERE s.stage IN ('treated', 'machine_inlet') AND s.current_verdict IN ('ok', 'unjudged', 'note')
    AND s.activity IN ('', 'routine') AND s.collected_at IS NOT NULL AND s.alkalinity_mg_l_caco3 IS NOT NULL
QUALIFY row_number() OVER (PARTITION BY s.client, s.site, s.sampling_point ORDER BY s.collected_at DESC) = 1
    AND s.alkalinity_mg_l_caco3 > 75 + 17.85
ORDER BY s.alkalinity_mg_l_caco3 DESC, s.client, s.site;
