-- Every life of one component with the positions that share it, unsplit: a vehicle whose parts were
-- never touched is one row, whose positions are null and mean all of them.
-- Growth: linear in vehicles and lives.
WITH carried AS (
    SELECT engine_family, count(*) AS positions FROM component_position
    WHERE component = $component
      AND ($engine_family IS NULL OR engine_family = $engine_family)
    GROUP BY ALL
), one AS (
    SELECT s.engine_family, l.*
    FROM life AS l JOIN vehicle_span AS s USING (vin) JOIN carried USING (engine_family)
    WHERE l.component = $component
)
SELECT o.vin, o.engine_family, o.positions, o.weight, o.generation, o.begun_by,
       o.generation_assumed, coalesce(e.position_assumed, false) AS position_assumed,
       o.entry_distance, o.exit_distance, o.entry_days, o.exit_days,
       o.ended_by, o.failure_mode, o.last_good_distance, o.last_good_days,
       o.part_maker, o.part_lot, f.done_on AS fitted_on, o.fitted_ro, o.ended_ro
FROM one AS o
-- Whether the order that found the failure named the position, whatever the fitting one did.
LEFT JOIN position_event AS e
  ON o.ended_by = 'failed' AND e.ro_id = o.ended_ro AND e.line_no = o.ended_line
LEFT JOIN order_distance AS f ON f.ro_id = o.fitted_ro
UNION ALL
SELECT s.vin, s.engine_family, NULL, c.positions, 1, 'factory',
       s.generation_assumed, false,
       greatest(0, s.entry_distance - s.start_distance), s.exit_distance - s.start_distance,
       s.entry_on - s.in_service_on, s.exit_on - s.in_service_on,
       'still fitted', NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL
FROM vehicle_span AS s
JOIN carried AS c USING (engine_family)
ANTI JOIN one AS o ON o.vin = s.vin
