-- Treatments whose water came back to the raw water: the medium was used up between two visits
--   client: client
--   site: site
--   sampling_point: tap or outlet
--   earliest: last visit that found it working
--   latest: first visit that did not
--   analyte: quantity that shows it
--   before: its value then, in its canonical unit
--   after: its value now
--   evidence: share of the raw water that came through, litres where they were read, whom to ask
SELECT client, site, sampling_point, earliest, latest, analyte, "before", "after", evidence
FROM exhaustion
ORDER BY latest DESC, client, site, sampling_point;
