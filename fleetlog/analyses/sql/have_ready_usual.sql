-- What the family's other visits need, those that renewed the named part on the side of another job
-- among them: by component, whether it broke in the work, the number of visits; the row without a
-- component counts all those visits. every_job is a frame of the caller: visit_ro.
-- Growth: linear in the lines of the family but for one grouping.
WITH rest AS (
    SELECT coalesce(j.visit_ro, l.ro_id) AS visit_ro, l.component, l.reason = 'broke-in-work' AS broke,
           l.action = 'replaced' OR l.reason = 'broke-in-work' AS renewed
    FROM repair_line AS l
    JOIN repair_order AS o USING (ro_id)
    JOIN vehicle AS v USING (vin)
    LEFT JOIN order_visit AS j USING (ro_id)
    ANTI JOIN every_job AS e ON e.visit_ro = coalesce(j.visit_ro, l.ro_id)
    WHERE v.engine_family = $engine_family AND (l.action IS NULL OR l.action <> 'inspected')
)
SELECT component, broke, count(*) AS visits
FROM (SELECT DISTINCT visit_ro, component, broke FROM rest WHERE renewed AND component IS NOT NULL)
GROUP BY ALL
UNION ALL
SELECT NULL, NULL, count(DISTINCT visit_ro) FROM rest
