-- How long each touched vehicle was watched: late entry where records begin after it entered
-- service, end at its retirement or at the last reading that is believed.
INSERT INTO vehicle_span BY NAME
WITH last_seen AS (
    SELECT v.vin, vehicle_no, max(a.read_on) AS read_on, max(a.distance) AS distance
    FROM anchor AS a
    JOIN numbered_vehicle USING (vehicle_no)
    JOIN vehicle AS v USING (vin)
    WHERE v.retired_on IS NULL OR a.read_on <= v.retired_on
    GROUP BY ALL
)
SELECT getvariable('built_before') + s.vehicle_no AS built_no, v.vin, v.engine_family, v.in_service_on,
       v.in_service_odometer AS start_distance,
       v.observed_from_on AS entry_on,
       v.observed_from_odometer AS entry_distance,
       greatest(v.observed_from_on, coalesce(v.retired_on, s.read_on)) AS exit_on,
       greatest(v.observed_from_odometer, s.distance) AS exit_distance,
       v.observed_from_odometer > v.in_service_odometer OR v.observed_from_on > v.in_service_on
           AS generation_assumed,
       CASE WHEN v.retired_on IS NULL THEN 'last reading' ELSE 'retirement' END AS exit_known_from
FROM vehicle AS v
JOIN touched_vehicle USING (vin)
JOIN last_seen AS s USING (vin);
