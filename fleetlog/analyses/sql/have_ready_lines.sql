-- Every line of the visits that worked on the named part, with the order that tells it. Orders
-- linked as one job are one visit; of an order told twice the second telling adds neither hours nor
-- lines that say nothing new. Growth: linear in the lines of the family but for one grouping.
WITH named AS (
    SELECT DISTINCT coalesce(j.visit_ro, l.ro_id) AS visit_ro
    FROM repair_line AS l
    JOIN repair_order AS o USING (ro_id)
    JOIN vehicle AS v USING (vin)
    LEFT JOIN order_visit AS j USING (ro_id)
    WHERE l.component = $component AND v.engine_family = $engine_family
      AND (l.action IS NULL OR l.action <> 'inspected')
), told_twice AS (
    SELECT DISTINCT second_ro AS ro_id FROM order_link WHERE state = 'linked' AND kind = 'same order'
), told_again AS (
    SELECT ro_id, line_no FROM left_out_line WHERE starts_with(why, 'the same line as on RO ')
)
SELECT coalesce(j.visit_ro, o.ro_id) AS visit_ro, o.ro_id, o.vin, v.unit_no, o.shop, o.ro_no,
       o.opened_on, o.technician, o.odometer, o.downtime_h, o.labour_h AS order_labour_h,
       w.ro_id IS NOT NULL AS order_told_again, t.ro_id IS NOT NULL AS told_again,
       l.component, l.description, l.action, l.reason, l.part_no, l.part_maker,
       coalesce(l.qty, len(e.positions), 1)::DOUBLE AS qty, l.labour_h,
       l.bank, l.cylinder, l.side, l.slot
FROM repair_order AS o
JOIN vehicle AS v USING (vin)
JOIN repair_line AS l USING (ro_id)
LEFT JOIN order_visit AS j USING (ro_id)
LEFT JOIN told_twice AS w USING (ro_id)
LEFT JOIN told_again AS t ON t.ro_id = l.ro_id AND t.line_no = l.line_no
LEFT JOIN position_event AS e ON e.ro_id = l.ro_id AND e.line_no = l.line_no
SEMI JOIN named AS n ON n.visit_ro = coalesce(j.visit_ro, o.ro_id)
ORDER BY visit_ro, o.ro_id, l.line_no
