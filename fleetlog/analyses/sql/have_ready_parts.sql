-- Part numbers that those jobs used, the latest of each; job_visit is a frame of the caller.
WITH job_order AS (
    SELECT visit_ro AS ro_id, visit_ro FROM job_visit
    UNION
    SELECT ro_id, visit_ro FROM order_visit SEMI JOIN job_visit USING (visit_ro)
), used AS (
    SELECT l.component, l.part_no, l.part_maker, j.visit_ro, max(l.ro_id) AS ro_id
    FROM job_order AS j JOIN repair_line AS l USING (ro_id)
    WHERE l.part_no IS NOT NULL AND l.component IS NOT NULL
      AND (l.action = 'replaced' OR l.reason = 'broke-in-work')
    GROUP BY ALL
), latest AS (
    SELECT u.component, u.part_no, u.part_maker, count(*) AS jobs,
           arg_max(u.ro_id, (o.opened_on, u.ro_id)) AS ro_id
    FROM used AS u JOIN repair_order AS o USING (ro_id)
    GROUP BY u.component, u.part_no, u.part_maker
)
SELECT l.component, l.part_no, l.part_maker, l.jobs, o.opened_on AS last_on, o.shop, o.ro_no
FROM latest AS l JOIN repair_order AS o USING (ro_id)
ORDER BY l.component, last_on DESC, l.part_no, l.part_maker
