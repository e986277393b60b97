-- Sites whose raw hardness, alkalinity and conductivity moved together and stayed: another source
-- A season, a source that switches back and forth every year and one quantity alone are none; a drift is told from a step.
--   client: client
--   site: site
--   sampling_point: tap or outlet
--   earliest: last day on which the old water was seen
--   latest: first day on which the new water was seen
--   hardness_before: median total hardness of the stretch before [mg/L as CaCO3]
--   hardness_after: and after
--   alkalinity_before: median alkalinity before [mg/L as CaCO3]
--   alkalinity_after: and after
--   conductivity_before: median conductivity before [µS/cm at 25 °C]
--   conductivity_after: and after
--   evidence: what moved, whether neighbours confirm it, whom to ask
SELECT client, site, sampling_point, earliest, latest,
    max("before") FILTER (analyte = 'total_hardness') AS hardness_before,
    max("after") FILTER (analyte = 'total_hardness') AS hardness_after,
    max("before") FILTER (analyte = 'alkalinity') AS alkalinity_before,
    max("after") FILTER (analyte = 'alkalinity') AS alkalinity_after,
    max("before") FILTER (analyte = 'conductivity') AS conductivity_before,
    max("after") FILTER (analyte = 'conductivity') AS conductivity_after,
    any_value(evidence) AS evidence
FROM source_change
GROUP BY client, site, sampling_point, earliest, latest
ORDER BY latest DESC, client, site, sampling_point;
