-- From when to when each vehicle was watched, as ages on both clocks; vehicle is its row number.
SELECT s.rowid AS vehicle, s.engine_family,
       (s.entry_on - s.in_service_on)::BIGINT AS entry_days,
       (s.exit_on - s.in_service_on)::BIGINT AS exit_days,
       greatest(0, s.entry_distance - s.start_distance)::BIGINT AS entry_distance,
       (s.exit_distance - s.start_distance)::BIGINT AS exit_distance,
       s.exit_on, s.exit_known_from = 'retirement' AS retired
FROM vehicle_span AS s
WHERE $engine_family IS NULL OR s.engine_family = $engine_family
