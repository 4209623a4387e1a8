-- What the family's other visits need, those that renewed the named part on the side of another job
-- among them: by component, whether it broke in the work, the number of visits; the row without a
-- component counts all those visits. every_job and family_order are frames of the caller.
-- Growth: linear in the lines of the family but for one grouping.
WITH needed AS MATERIALIZED (
    SELECT DISTINCT o.visit_ro, l.reason = 'broke-in-work' AS broke,
           CASE WHEN l.action = 'replaced' OR l.reason = 'broke-in-work' THEN l.component END AS component
    FROM repair_line AS l
    JOIN (FROM family_order ANTI JOIN every_job USING (visit_ro)) AS o USING (ro_id)
    WHERE l.action IS NULL OR l.action <> 'inspected'
)
SELECT component, broke, count(*) AS visits FROM needed WHERE component IS NOT NULL GROUP BY ALL
UNION ALL
SELECT NULL, NULL, count(DISTINCT visit_ro) FROM needed
