-- Orders of an engine family, each with its visit: orders linked as one job are one. Asked once, for
-- finding the family of each line again and again costs more than the lines.
SELECT o.ro_id, coalesce(j.visit_ro, o.ro_id) AS visit_ro
FROM repair_order AS o
JOIN vehicle AS v USING (vin)
LEFT JOIN order_visit AS j USING (ro_id)
WHERE v.engine_family = $engine_family
