-- Days on which parts of a component were renewed as failed, with the order that found them, and the
-- age of the vehicle at which the oldest of those parts was fitted. Growth: linear but for a grouping.
SELECT l.component, s.rowid AS vehicle, min(l.ended_ro) AS failed_ro,
       (d.done_on - s.in_service_on)::BIGINT AS days,
       min(d.distance - s.start_distance)::BIGINT AS distance,
       days - max(l.exit_days) AS fitted_days,
       min(d.distance - s.start_distance)::BIGINT - max(l.exit_distance) AS fitted_distance
FROM life AS l
JOIN vehicle_span AS s USING (vin)
JOIN order_distance AS d ON d.ro_id = l.ended_ro
WHERE l.ended_by = 'failed'
  AND ($component IS NULL OR l.component = $component)
  AND ($engine_family IS NULL OR s.engine_family = $engine_family)
GROUP BY l.component, s.rowid, days
