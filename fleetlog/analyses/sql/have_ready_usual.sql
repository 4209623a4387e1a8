-- What the family's other visits need, those that renewed the named part on the side of another job
-- among them: by component, whether it broke in the work, the number of visits; the row without a
-- component counts all those visits.
-- Growth: linear in the lines of the family but for one grouping.
WITH work AS (
    SELECT coalesce(j.visit_ro, l.ro_id) AS visit_ro, l.component, l.reason = 'broke-in-work' AS broke,
           l.reason IN ('while-apart', 'broke-in-work') AS on_side,
           l.action = 'replaced' OR l.reason = 'broke-in-work' AS renewed
    FROM repair_line AS l
    JOIN repair_order AS o USING (ro_id)
    JOIN vehicle AS v USING (vin)
    LEFT JOIN order_visit AS j USING (ro_id)
    WHERE v.engine_family = $engine_family AND (l.action IS NULL OR l.action <> 'inspected')
), rest AS (
    FROM work
    ANTI JOIN (SELECT visit_ro FROM work WHERE component = $component AND NOT on_side) USING (visit_ro)
)
SELECT component, broke, count(*) AS visits
FROM (SELECT DISTINCT visit_ro, component, broke FROM rest WHERE renewed AND component IS NOT NULL)
GROUP BY ALL
UNION ALL
SELECT NULL, NULL, count(DISTINCT visit_ro) FROM rest
