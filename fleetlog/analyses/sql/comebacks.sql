-- Each repair with the next fault of the same component on the same vehicle. A repair is followed
-- until that fault, or until its window has closed, or until the vehicle was last seen.
-- The window is open for window_days, or until window_distance is driven at the vehicle's own
-- rate, whichever is later. Orders that are linked as one job are one visit: none is a comeback of
-- the other, and its work on a component counts once. Growth: n log n in the lines.
WITH told AS (
    SELECT o.ro_id, coalesce(j.visit_ro, o.ro_id) AS visit_ro, o.shop, o.ro_no, o.technician, o.vin, l.component,
           coalesce(o.closed_on, o.opened_on) AS ready_on, o.opened_on, d.distance,
           bool_or(l.reason = 'failed') AS at_fault,
           bool_and(l.reason = 'planned') AS planned_only,
           any_value(l.part_maker) AS part_maker
    FROM repair_line AS l
    JOIN repair_order AS o USING (ro_id)
    JOIN order_distance AS d USING (ro_id)
    LEFT JOIN order_visit AS j USING (ro_id)
    WHERE l.component IS NOT NULL AND l.action <> 'inspected'
      AND ($component IS NULL OR l.component = $component)
    GROUP BY o.ro_id, j.visit_ro, o.shop, o.ro_no, o.technician, o.vin, l.component, ready_on, o.opened_on,
             d.distance
), work AS (
    -- The day on which the last order of the visit was ready; faults as any of its orders tells.
    SELECT * REPLACE (max(ready_on) OVER visit AS ready_on, bool_or(at_fault) OVER visit AS at_fault,
                      bool_and(planned_only) OVER visit AS planned_only),
           row_number() OVER (PARTITION BY visit_ro, component ORDER BY opened_on, ro_id) > 1
               AS told_again
    FROM told
    WINDOW visit AS (PARTITION BY visit_ro, component)
), paired AS (
    SELECT w.*,
           f.ro_id AS back_ro, f.shop AS back_shop, f.ro_no AS back_ro_no, f.opened_on AS back_on,
           f.opened_on - w.ready_on AS days, f.distance - w.distance AS driven
    FROM work AS w
    ASOF LEFT JOIN (FROM work WHERE at_fault AND NOT told_again) AS f
      ON f.vin = w.vin AND f.component = w.component AND f.opened_on > w.ready_on
)
SELECT p.ro_id, p.shop, p.technician, p.part_maker, p.component, c.title, p.vin, v.unit_no, v.depot,
       s.engine_family, p.ro_no, p.opened_on, p.planned_only, p.told_again,
       p.back_ro, p.back_shop, p.back_ro_no, p.back_on, p.days, p.driven,
       coalesce(p.days <= $window_days OR p.driven <= $window_distance, false) AS came_back,
       greatest($window_days, ceil($window_distance * (s.exit_on - s.entry_on)
           / nullif(s.exit_distance - s.entry_distance, 0)))::INTEGER AS window_closes,
       s.exit_on - p.ready_on AS followed_days
FROM paired AS p
JOIN vehicle_span AS s USING (vin)
JOIN vehicle AS v USING (vin)
JOIN component AS c ON c.code = p.component
