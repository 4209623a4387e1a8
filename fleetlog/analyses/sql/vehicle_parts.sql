SELECT l.component, c.title, s.engine_family, l.positions, l.weight AS count, l.generation,
       l.generation_assumed, l.exit_distance AS age_distance, l.exit_days AS age_days,
       l.part_maker, l.part_lot, o.opened_on AS fitted_on
FROM life AS l
JOIN vehicle_span AS s USING (vin)
JOIN component AS c ON c.code = l.component
LEFT JOIN repair_order AS o ON o.ro_id = l.fitted_ro
WHERE l.vin = $vin AND l.ended_by = 'still fitted'
ORDER BY c.system, c.title, l.positions
