-- Visits with a complaint that says a sign, or with a fault code: what was noticed, at what age, and
-- whether the visit itself found something failed. Orders linked as one job are one visit. A line
-- whose part nobody recognised may have been the answer. complaint_sign is a frame of the caller:
-- text, sign. Growth: n log n in the orders and lines (joins and one grouping of each).
WITH noticed_order AS (
    SELECT o.ro_id, o.vin, c.sign
    FROM repair_order AS o JOIN complaint_sign AS c ON c.text = o.complaint
    UNION ALL
    SELECT ro_id, vin, upper(trim(code)) AS sign
    FROM (SELECT ro_id, vin, unnest(fault_codes) AS code FROM repair_order WHERE len(fault_codes) > 0)
    WHERE $sign IS NULL OR upper(trim(code)) = $sign
), noticed AS (
    SELECT DISTINCT s.rowid AS vehicle, coalesce(j.visit_ro, n.ro_id) AS visit_ro, n.sign
    FROM noticed_order AS n
    JOIN vehicle_span AS s USING (vin)
    LEFT JOIN order_visit AS j USING (ro_id)
    WHERE $engine_family IS NULL OR s.engine_family = $engine_family
), visit_order AS (
    -- All orders of those visits.
    SELECT visit_ro AS ro_id, visit_ro, vehicle FROM (SELECT DISTINCT visit_ro, vehicle FROM noticed)
    UNION
    SELECT j.ro_id, j.visit_ro, n.vehicle FROM order_visit AS j JOIN noticed AS n USING (visit_ro)
), visit AS (
    SELECT v.visit_ro, min(o.opened_on - s.in_service_on)::BIGINT AS days,
           min(d.distance - s.start_distance)::BIGINT AS distance
    FROM visit_order AS v
    JOIN repair_order AS o USING (ro_id)
    JOIN vehicle_span AS s USING (vin)
    LEFT JOIN order_distance AS d USING (ro_id)
    GROUP BY v.visit_ro
), done AS (
    SELECT v.visit_ro, bool_or(l.reason = 'failed') AS answered, bool_or(l.component IS NULL) AS unread,
           list(DISTINCT l.component) FILTER (l.reason = 'failed' AND $keep_answered) AS failed
    FROM repair_line AS l JOIN visit_order AS v USING (ro_id)
    WHERE l.reason = 'failed' OR l.component IS NULL
    GROUP BY v.visit_ro
), judged AS (
    SELECT n.sign, n.vehicle, n.visit_ro, v.days, v.distance, coalesce(d.answered, false) AS answered,
           coalesce(d.unread, false) AS unread, coalesce(d.failed, []) AS failed
    FROM noticed AS n JOIN visit AS v USING (visit_ro) LEFT JOIN done AS d USING (visit_ro)
)
SELECT sign, vehicle, visit_ro, days, distance, unread, failed, 1 AS visits
FROM judged
WHERE NOT answered OR $keep_answered
UNION ALL
-- Visits that found something failed are counted.
SELECT sign, NULL, NULL, NULL, NULL, false, [], count(*)
FROM judged
WHERE answered AND NOT $keep_answered
GROUP BY sign
