SELECT v.vin, v.unit_no, v.plate, v.engine_family, f.title AS engine_title, v.model_year, v.duty,
       v.depot, v.in_service_on, s.entry_on AS watched_from_on, s.exit_on AS last_seen_on,
       s.exit_distance AS last_seen_distance, v.retired_on
FROM vehicle AS v
JOIN vehicle_span AS s USING (vin)
LEFT JOIN engine_family AS f ON f.code = v.engine_family
WHERE v.vin = $vin
