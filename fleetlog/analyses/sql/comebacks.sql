-- Each repair with the next fault of the same key on the same vehicle; the query in its midst says what the
-- orders did, what their subject is, and by which keys a fault is of the same one: a repair has a row
-- for each. A repair is followed until that fault, or until its window has
-- closed, or until the vehicle was last seen. The window is open for window_days, or until
-- window_distance is driven, whichever is later; where no reading tells how far the vehicle went,
-- at its own rate. Orders that are linked as one job are one visit: none is a comeback of the
-- other, and its work on a component counts once. A pair that a person has called unrelated is
-- none, and the next fault after it is looked at instead. Growth: n log n in the lines.
WITH told AS (
    {work}
), work AS (
    SELECT o.ro_id, coalesce(j.visit_ro, o.ro_id) AS visit_ro, o.vin, t.subject, t.key, t.component,
           o.shop, o.technician, o.road_tested, o.codes_cleared, t.part_maker, t.part_lot,
           o.opened_on, d.distance,
           -- The day on which the last order of the visit was ready; faults as any of its orders tells.
           max(coalesce(o.closed_on, o.opened_on)) OVER visit AS ready_on,
           bool_or(t.at_fault) OVER visit AS at_fault,
           bool_and(t.planned_only) OVER visit AS planned_only,
           row_number() OVER (visit ORDER BY o.opened_on, o.ro_id, t.component) = 1 AS first_told,
           j.ro_id IS NOT NULL AND row_number() OVER (
               PARTITION BY coalesce(j.visit_ro, o.ro_id), t.key, t.component
               ORDER BY o.opened_on, o.ro_id) > 1 AS told_again
    FROM told AS t
    JOIN repair_order AS o USING (ro_id)
    JOIN order_distance AS d USING (ro_id)
    LEFT JOIN order_visit AS j USING (ro_id)
    WINDOW visit AS (PARTITION BY coalesce(j.visit_ro, o.ro_id), t.key)
), fault AS (
    FROM work WHERE at_fault AND first_told
), unrelated AS (
    SELECT DISTINCT unnest([a_visit, b_visit]) AS visit_ro, unnest([b_visit, a_visit]) AS back_visit
    FROM (SELECT coalesce(ja.visit_ro, a.ro_id) AS a_visit, coalesce(jb.visit_ro, b.ro_id) AS b_visit
          FROM comeback_ruling AS r
          JOIN repair_order AS a ON a.shop = r.shop AND a.ro_no = r.ro_no
          JOIN repair_order AS b ON b.shop = r.other_shop AND b.ro_no = r.other_ro_no AND b.vin = a.vin
          LEFT JOIN order_visit AS ja ON ja.ro_id = a.ro_id
          LEFT JOIN order_visit AS jb ON jb.ro_id = b.ro_id)
), paired AS (
    SELECT w.*, f.ro_id AS back_ro, f.opened_on AS back_on, f.distance AS back_distance
    FROM (FROM work ANTI JOIN unrelated USING (visit_ro)) AS w
    ASOF LEFT JOIN fault AS f
      ON f.vin = w.vin AND f.key = w.key AND f.opened_on > w.ready_on
    UNION ALL
    SELECT w.*, f.ro_id, f.opened_on, f.distance
    FROM (FROM work SEMI JOIN unrelated USING (visit_ro)) AS w
    LEFT JOIN fault AS f
      ON f.vin = w.vin AND f.key = w.key AND f.opened_on > w.ready_on
     AND NOT EXISTS (FROM unrelated AS u WHERE u.visit_ro = w.visit_ro AND u.back_visit = f.visit_ro)
    QUALIFY row_number() OVER (PARTITION BY w.ro_id, w.key, w.component
                               ORDER BY f.opened_on, f.ro_id) = 1
), technician AS (
    -- One of each name at each shop: initials of two shops may be two people.
    SELECT shop, lower(trim(technician)) AS "name",
           CASE WHEN $name_technicians THEN min(trim(technician)) || ', ' || shop
                ELSE 'technician ' || row_number() OVER (ORDER BY min(opened_on), min(ro_id)) END AS label
    FROM repair_order
    WHERE $by = 'technician' AND technician IS NOT NULL
    GROUP BY shop, "name"
), followed AS (
    SELECT p.*, c.title, c.access_group, s.engine_family, s.rowid AS vehicle,
           coalesce(p.back_on - p.ready_on <= $window_days
                    OR p.back_distance - p.distance <= $window_distance, false) AS came_back,
           p.back_on - p.ready_on AS days, p.back_distance - p.distance AS driven,
           s.exit_on - p.ready_on AS followed_days,
           followed_days >= $window_days AND coalesce(
               coalesce(s.exit_distance - p.distance,
                        followed_days * (s.exit_distance - s.entry_distance)
                            / nullif(s.exit_on - s.entry_on, 0)) >= $window_distance, true) AS closed,
           s.exit_known_from = 'retirement' AS retires
    FROM paired AS p
    JOIN vehicle_span AS s USING (vin)
    LEFT JOIN component AS c ON c.code = p.component
    WHERE $component IS NULL OR p.component = $component
)
SELECT f.ro_id, f.visit_ro, f.subject, f.key, f.component, f.vehicle, f.planned_only, f.told_again,
       f.came_back, f.closed, f.retires, f.days, f.driven, f.followed_days,
       CASE WHEN f.came_back THEN f.back_ro END AS back_ro,
       coalesce(CASE $by
           WHEN 'shop' THEN f.shop
           WHEN 'technician' THEN t.label
           WHEN 'component' THEN f.title
           WHEN 'access_group' THEN coalesce(f.access_group, 'no access group')
           WHEN 'job' THEN f.engine_family || ': ' || f.title
           WHEN 'part_maker' THEN f.part_maker
           WHEN 'part_lot' THEN CASE WHEN f.part_lot IS NOT NULL AND f.part_maker <> 'several makers'
                                     THEN f.part_maker || ' ' || f.part_lot
                                     WHEN f.part_maker = 'several makers' THEN f.part_maker
                                     ELSE f.part_lot END
           WHEN 'engine_family' THEN f.engine_family
           WHEN 'depot' THEN v.depot
           WHEN 'road_tested' THEN CASE f.road_tested WHEN true THEN 'road-tested' WHEN false THEN 'not road-tested' END
           WHEN 'codes_cleared' THEN CASE f.codes_cleared WHEN true THEN 'codes cleared' WHEN false THEN 'codes not cleared' END
       END, 'no ' || replace($by, '_', ' ') || ' given') AS "group",
       -- Jobs that are alike: what the comebacks of a group are held against.
       CASE WHEN $by IN ('component', 'access_group', 'job') THEN f.shop
            WHEN $by = 'engine_family' THEN coalesce(f.component, f.subject)
            ELSE concat_ws(' ', f.engine_family, coalesce(f.component, f.subject)) END AS kind
FROM followed AS f
JOIN vehicle AS v USING (vin)
LEFT JOIN technician AS t ON t.shop = f.shop AND t."name" = lower(trim(f.technician))
