-- What one job renewed or found failed, position by position, with all the orders that tell of it.
WITH visit AS (
    SELECT DISTINCT b.ro_id
    FROM (SELECT o.ro_id, coalesce(j.visit_ro, o.ro_id) AS visit_ro
          FROM repair_order AS o LEFT JOIN order_visit AS j USING (ro_id)
          WHERE o.vin = $vin) AS b
    JOIN (SELECT coalesce(any_value(visit_ro), $ro_id) AS visit_ro
          FROM order_visit WHERE ro_id = $ro_id) AS a USING (visit_ro)
), acted AS (
    SELECT e.ro_id, e.component, e.position_assumed, e.ends_life, l.reason, unnest(e.positions) AS ordinal
    FROM position_event AS e
    JOIN visit USING (ro_id)
    JOIN repair_line AS l USING (ro_id, line_no)
)
SELECT v.ro_id, a.component, c.title, c.access_group, a.ordinal, a.position_assumed, a.ends_life,
       a.reason = 'failed' AS failed, p.bank, p.cylinder, p.side, p.slot
FROM visit AS v
LEFT JOIN acted AS a USING (ro_id)
LEFT JOIN component AS c ON c.code = a.component
LEFT JOIN (vehicle_span JOIN component_position USING (engine_family)) AS p
  ON p.vin = $vin AND p.component = a.component AND p.ordinal = a.ordinal
ORDER BY a.component, a.ordinal
