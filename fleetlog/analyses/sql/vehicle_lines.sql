SELECT o.shop, o.ro_no, o.opened_on, o.odometer, l.line_no, l.component, c.title,
       v.engine_family, e.positions, coalesce(e.position_assumed, false) AS position_assumed,
       l.action, l.reason, l.failure_mode, l.part_no, l.part_maker, l.part_lot, l.qty, l.description
FROM repair_order AS o
JOIN repair_line AS l USING (ro_id)
JOIN vehicle AS v ON v.vin = o.vin
LEFT JOIN component AS c ON c.code = l.component
LEFT JOIN position_event AS e ON e.ro_id = l.ro_id AND e.line_no = l.line_no
WHERE o.vin = $vin
ORDER BY o.opened_on DESC, o.ro_id DESC, l.line_no
