-- The orders of the repairs that came back, as people know them.
SELECT r."group", a.vin, v.unit_no, r.component, c.title, a.shop, a.ro_no, a.opened_on,
       b.shop AS back_shop, b.ro_no AS back_ro_no, b.opened_on AS back_on,
       r.days, r.driven AS distance, a.complaint, b.complaint AS back_complaint, r.matched_by
FROM returned AS r
JOIN repair_order AS a ON a.ro_id = r.ro_id
JOIN repair_order AS b ON b.ro_id = r.back_ro
JOIN vehicle AS v ON v.vin = a.vin
LEFT JOIN component AS c ON c.code = r.component
ORDER BY a.opened_on DESC, a.vin, a.ro_id, r.component
