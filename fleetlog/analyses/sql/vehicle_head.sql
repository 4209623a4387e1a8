-- One vehicle: who it is, how long it was watched, its pace, and how far the records reach.
SELECT v.vin, v.unit_no, v.plate, v.engine_family, f.title AS engine_title, v.model_year, v.duty,
       v.depot, v.in_service_on, s.start_distance, s.entry_on AS watched_from_on,
       s.entry_distance AS watched_from_distance, s.exit_on AS last_seen_on,
       s.exit_distance AS last_seen_distance, v.retired_on, s.generation_assumed,
       (SELECT max(exit_on) FROM vehicle_span WHERE exit_known_from = 'last reading') AS known_to,
       p.per_day, p.over_days, p.near_n, p.near_rr, p.near_h, p.near_hh, p.far_rr, p.far_h, p.far_hh
FROM (FROM vehicle WHERE vin = $vin) AS v
JOIN (FROM vehicle_span WHERE vin = $vin) AS s USING (vin)
LEFT JOIN (FROM vehicle_pace WHERE vin = $vin) AS p USING (vin)
LEFT JOIN engine_family AS f ON f.code = v.engine_family
