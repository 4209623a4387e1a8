-- The jobs: who, when, hours; job_visit is a frame of the caller: visit_ro. The second telling of an
-- order that was told twice adds no hours; orders of one job overlap in time, so the longest counts.
-- Who did the work is told where the store shows it.
WITH job_order AS (
    SELECT visit_ro AS ro_id, visit_ro FROM job_visit
    UNION
    SELECT ro_id, visit_ro FROM order_visit SEMI JOIN job_visit USING (visit_ro)
), told_twice AS (
    SELECT DISTINCT second_ro AS ro_id FROM order_link WHERE state = 'linked' AND kind = 'same order'
)
SELECT j.visit_ro, o.vin, v.unit_no,
       arg_min(o.shop, (o.opened_on, o.ro_id)) AS shop,
       arg_min(o.ro_no, (o.opened_on, o.ro_id)) AS ro_no,
       min(o.opened_on) AS opened_on,
       arg_min(o.technician, (o.opened_on, o.ro_id)) FILTER (i.technicians_named) AS technician,
       bool_or(o.technician IS NOT NULL AND NOT i.technicians_named) AS technician_hidden,
       min(o.odometer) AS odometer,
       max(o.downtime_h) AS downtime_h,
       sum(o.labour_h) FILTER (w.ro_id IS NULL) AS labour_h
FROM job_order AS j
JOIN repair_order AS o USING (ro_id)
JOIN vehicle AS v USING (vin)
CROSS JOIN store_info AS i
LEFT JOIN told_twice AS w USING (ro_id)
GROUP BY j.visit_ro, o.vin, v.unit_no
ORDER BY j.visit_ro
