-- Visits with a complaint that says a sign, or with a fault code: what was noticed, at what age, and
-- whether the visit itself found something failed. Orders linked as one job are one visit. A line
-- whose part nobody recognised may have been the answer. complaint_sign is a frame of the caller:
-- text, sign. Growth: n log n in the orders and lines (joins and one grouping of each).
WITH told AS (
    SELECT o.ro_id, coalesce(j.visit_ro, o.ro_id) AS visit_ro, o.vin, o.shop, o.ro_no, o.opened_on,
           o.complaint, o.fault_codes, d.distance - s.start_distance AS distance,
           o.opened_on - s.in_service_on AS days
    FROM repair_order AS o
    JOIN vehicle_span AS s USING (vin)
    LEFT JOIN order_distance AS d USING (ro_id)
    LEFT JOIN order_visit AS j USING (ro_id)
    WHERE $engine_family IS NULL OR s.engine_family = $engine_family
), noticed AS (
    SELECT DISTINCT visit_ro, vin, sign
    FROM (
        SELECT t.visit_ro, t.vin, c.sign
        FROM told AS t JOIN complaint_sign AS c ON c.text = t.complaint
        UNION ALL
        SELECT visit_ro, vin, upper(trim(unnest(fault_codes))) FROM told
    )
    WHERE $sign IS NULL OR sign = $sign
), visit AS (
    SELECT visit_ro, vin, min(days) AS days, min(distance) AS distance,
           min(opened_on) AS opened_on,
           arg_min(shop, (opened_on, ro_id)) AS shop, arg_min(ro_no, (opened_on, ro_id)) AS ro_no
    FROM told SEMI JOIN noticed USING (visit_ro)
    GROUP BY visit_ro, vin
), done AS (
    SELECT t.visit_ro, bool_or(l.reason = 'failed') AS answered,
           bool_or(l.component IS NULL) AS unread,
           list(DISTINCT l.component) FILTER (l.reason = 'failed') AS failed
    FROM repair_line AS l JOIN told AS t USING (ro_id)
    SEMI JOIN noticed AS n ON n.visit_ro = t.visit_ro
    GROUP BY t.visit_ro
)
SELECT n.sign, n.visit_ro, n.vin, v.days::BIGINT AS days, v.distance::BIGINT AS distance, v.opened_on, v.shop,
       v.ro_no, coalesce(d.answered, false) AS answered, coalesce(d.unread, false) AS unread,
       coalesce(d.failed, []) AS failed
FROM noticed AS n JOIN visit AS v USING (visit_ro, vin) LEFT JOIN done AS d USING (visit_ro)
