-- The stored lives of the components of one access group, position by position, each with how far
-- its vehicle had gone when the part was new.
SELECT l.vin, l.component, unnest(l.positions) AS ordinal, l.generation, l.generation_assumed,
       l.entry_distance AS entry, l.exit_distance AS exit, l.ended_by = 'failed' AS failed,
       coalesce(f.distance, s.start_distance) AS fitted_distance, l.ended_ro
FROM life AS l
JOIN vehicle_span AS s USING (vin)
JOIN component AS c ON c.code = l.component
LEFT JOIN position_event AS f ON f.ro_id = l.fitted_ro AND f.line_no = l.fitted_line
WHERE s.engine_family = $engine_family AND c.access_group = $access_group
