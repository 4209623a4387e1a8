-- Torques written down on those jobs; job_visit is a frame of the caller: visit_ro.
WITH job_order AS (
    SELECT visit_ro AS ro_id FROM job_visit
    UNION
    SELECT ro_id FROM order_visit SEMI JOIN job_visit USING (visit_ro)
)
SELECT t.fastener_kind AS fastener, count(*) AS records, median(t.newton_metres) AS median_newton_metres,
       min(t.newton_metres) AS least, max(t.newton_metres) AS most,
       count(*) FILTER (t.doubt IS NOT NULL) AS doubted,
       arg_max(o.shop, (o.opened_on, o.ro_id)) AS shop, arg_max(o.ro_no, (o.opened_on, o.ro_id)) AS ro_no
FROM torque_judged AS t JOIN repair_order AS o USING (ro_id) SEMI JOIN job_order USING (ro_id)
GROUP BY t.fastener_kind
ORDER BY records DESC, fastener
