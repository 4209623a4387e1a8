-- The part that sits at each position when a job begins, with its age. A part that the job itself
-- renews is the one that comes out. What no line ever touched is as the factory fitted it.
WITH lived AS (
    SELECT l.component, unnest(l.positions) AS ordinal, l.generation, l.position_assumed,
           l.part_maker, l.part_lot, f.done_on AS fitted_on, f.distance AS fitted_distance,
           list_contains($orders, l.ended_ro) AS renewed
    FROM life AS l
    LEFT JOIN position_event AS f ON f.ro_id = l.fitted_ro AND f.line_no = l.fitted_line
    LEFT JOIN position_event AS e ON e.ro_id = l.ended_ro AND e.line_no = l.ended_line
    WHERE l.vin = $vin
      AND NOT coalesce(list_contains($orders, l.fitted_ro), false)
      AND (f.done_on IS NULL OR f.done_on <= $on)
      AND (l.ended_ro IS NULL OR e.done_on > $on OR list_contains($orders, l.ended_ro))
)
SELECT p.component, p.ordinal,
       coalesce(l.generation, 1) AS generation,
       s.generation_assumed AND coalesce(l.generation, 1) = 1 AS age_assumed,
       coalesce(l.position_assumed, false) AS position_assumed,
       l.part_maker, l.part_lot, coalesce(l.renewed, false) AS renewed,
       greatest(0, $distance - coalesce(l.fitted_distance, s.start_distance))::DOUBLE AS age,
       greatest(0, $on - coalesce(l.fitted_on, s.in_service_on)) AS age_days
FROM vehicle_span AS s
JOIN component_position AS p USING (engine_family)
JOIN component AS c ON c.code = p.component AND c.access_group = $access_group
LEFT JOIN lived AS l ON l.component = p.component AND l.ordinal = p.ordinal
WHERE s.vin = $vin
ORDER BY p.component, p.ordinal
