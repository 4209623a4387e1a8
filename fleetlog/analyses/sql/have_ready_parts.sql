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
)
SELECT u.component, u.part_no, u.part_maker, count(*) AS jobs, max(o.opened_on) AS last_on,
       arg_max(o.shop, (o.opened_on, o.ro_id)) AS shop, arg_max(o.ro_no, (o.opened_on, o.ro_id)) AS ro_no
FROM used AS u JOIN repair_order AS o USING (ro_id)
GROUP BY u.component, u.part_no, u.part_maker
ORDER BY u.component, last_on DESC, u.part_no, u.part_maker
