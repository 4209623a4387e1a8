-- The newest order of a vehicle on which a part behind some cover failed.
SELECT o.ro_id, o.shop, o.ro_no, o.vin, o.opened_on, d.distance
FROM position_event AS e
JOIN repair_line AS l USING (ro_id, line_no)
JOIN repair_order AS o USING (ro_id)
JOIN order_distance AS d USING (ro_id)
JOIN component AS c ON c.code = e.component
WHERE e.vin = $vin AND l.reason = 'failed' AND c.access_group IS NOT NULL
ORDER BY o.opened_on DESC, o.ro_id DESC
LIMIT 1
