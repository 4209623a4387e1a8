-- The failures of one component themselves, each with the order that found it.
SELECT l.vin, v.unit_no, o.shop, o.ro_no, o.opened_on, l.ended_ro AS ro_id,
       l.exit_distance, l.exit_days, l.positions, s.engine_family, l.weight AS parts,
       l.failure_mode, l.part_maker, l.part_lot, l.position_assumed, l.generation
FROM life AS l
JOIN vehicle_span AS s USING (vin)
JOIN vehicle AS v USING (vin)
JOIN repair_order AS o ON o.ro_id = l.ended_ro
WHERE l.component = $component
  AND l.ended_by = 'failed'
  AND ($engine_family IS NULL OR s.engine_family = $engine_family)
ORDER BY o.opened_on DESC, l.vin
