-- One vehicle: who it is, how long it was watched, its pace, and how far the records reach. Its row
-- is found by the mark of its VIN, and its span by the start of its service too: numbers are compared
-- quicker than text.
WITH marked AS MATERIALIZED (
    SELECT load_id, row_no FROM name_mark WHERE mark = mark_of($vin) AND names_of = 'VIN'
), named AS MATERIALIZED (
    SELECT v.* FROM vehicle AS v JOIN marked AS m ON m.load_id = v.load_id AND m.row_no = v.file_row
    WHERE v.vin = $vin
), watched AS MATERIALIZED (
    SELECT s.*
    FROM vehicle_span AS s JOIN named AS v
      ON s.vin = v.vin AND s.in_service_on = v.in_service_on AND s.start_distance = v.in_service_odometer
), paced AS MATERIALIZED (
    SELECT p.* FROM vehicle_pace AS p JOIN watched AS s ON p.built_no = s.built_no AND p.vin = s.vin
)
SELECT v.vin, v.unit_no, v.plate, v.engine_family, f.title AS engine_title, v.model_year, v.duty,
       v.depot, v.in_service_on, s.start_distance, s.entry_on AS watched_from_on,
       s.entry_distance AS watched_from_distance, s.exit_on AS last_seen_on,
       s.exit_distance AS last_seen_distance, v.retired_on, s.generation_assumed, s.built_no,
       (SELECT max(exit_on) FROM vehicle_span WHERE exit_known_from = 'last reading') AS known_to,
       p.per_day, p.over_days, p.near_n, p.near_rr, p.near_h, p.near_hh, p.far_rr, p.far_h, p.far_hh
FROM named AS v
JOIN watched AS s USING (vin)
LEFT JOIN paced AS p USING (vin)
LEFT JOIN engine_family AS f ON f.code = v.engine_family
