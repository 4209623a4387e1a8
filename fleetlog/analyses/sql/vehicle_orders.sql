-- The orders of one vehicle, newest first. Orders that are linked tell of one visit: the first of
-- their chain names it (as the view order_visit has it, for the links of this vehicle alone). Who did
-- the work is told where the store shows it; technician_hidden says that it is known and not shown.
WITH RECURSIVE reached(ro_id, visit_ro, steps) AS (
    SELECT second_ro, first_ro, 1 FROM order_link WHERE vin = $vin AND state = 'linked'
    UNION
    SELECT r.ro_id, l.first_ro, r.steps + 1
    FROM reached AS r
    JOIN order_link AS l ON l.vin = $vin AND l.second_ro = r.visit_ro AND l.state = 'linked'
    WHERE r.steps < 8
), visit AS (
    SELECT ro_id, arg_max(visit_ro, (steps, -visit_ro)) AS visit_ro FROM reached GROUP BY ro_id
), gone AS MATERIALIZED (
    SELECT ro_id, distance, distance_estimated FROM order_distance
    WHERE built_no = $built_no AND vin = $vin
), mine AS MATERIALIZED (
    -- By the number of the order, which rises with the loads: most of the table is passed over.
    SELECT o.* REPLACE (CASE WHEN i.technicians_named THEN o.technician END AS technician),
           o.technician IS NOT NULL AND NOT i.technicians_named AS technician_hidden
    FROM (FROM repair_order WHERE ro_id IN (SELECT ro_id FROM gone)) AS o, store_info AS i
)
SELECT o.ro_id, coalesce(t.visit_ro, o.ro_id) AS visit_ro, o.shop, o.ro_no, o.opened_on, o.closed_on,
       o.odometer, d.distance, d.distance_estimated, o.technician, o.technician_hidden, o.complaint, o.cause, o.correction,
       array_to_string(o.fault_codes, ' ') AS fault_codes, o.road_tested, o.codes_cleared
FROM mine AS o
JOIN gone AS d USING (ro_id)
LEFT JOIN visit AS t USING (ro_id)
ORDER BY o.opened_on DESC, o.ro_id DESC
