-- Visits with a complaint that says a sign, or with a fault code: what was noticed, at what age, and
-- whether the visit itself found something failed. Orders linked as one job are one visit. A line
-- whose part nobody recognised may have been the answer. complaint_sign is a frame of the caller:
-- text, sign. Growth: n log n in the orders and lines (joins and one grouping of each).
WITH linked AS MATERIALIZED (
    SELECT ro_id, visit_ro FROM order_visit
), noticed_order AS (
    SELECT o.ro_id, o.vin, c.sign
    FROM repair_order AS o JOIN complaint_sign AS c ON c.text = o.complaint
    UNION ALL
    SELECT ro_id, vin, upper(trim(code)) AS sign
    FROM (SELECT ro_id, vin, unnest(fault_codes) AS code FROM repair_order WHERE len(fault_codes) > 0)
    WHERE trim(code) <> '' AND ($sign IS NULL OR upper(trim(code)) = $sign)
), noticed AS MATERIALIZED (
    SELECT DISTINCT s.rowid AS vehicle, coalesce(j.visit_ro, n.ro_id) AS visit_ro, n.sign
    FROM noticed_order AS n
    JOIN vehicle_span AS s USING (vin)
    LEFT JOIN linked AS j USING (ro_id)
    WHERE $engine_family IS NULL OR s.engine_family = $engine_family
), visit_order AS (
    -- All orders of those visits.
    SELECT DISTINCT visit_ro AS ro_id, visit_ro FROM noticed
    UNION ALL
    SELECT ro_id, visit_ro FROM linked SEMI JOIN noticed USING (visit_ro)
), done AS MATERIALIZED (
    SELECT v.visit_ro, bool_or(l.reason = 'failed') AS answered, bool_or(l.component IS NULL) AS unread,
           list(DISTINCT l.component) FILTER (l.reason = 'failed' AND $keep_answered) AS failed
    FROM repair_line AS l JOIN visit_order AS v USING (ro_id)
    WHERE l.reason = 'failed' OR l.component IS NULL
    GROUP BY v.visit_ro
), answered AS (
    SELECT visit_ro FROM done WHERE answered AND NOT $keep_answered
), visit AS (
    SELECT v.visit_ro, min(o.opened_on - s.in_service_on)::BIGINT AS days,
           min(d.distance - s.start_distance)::BIGINT AS distance
    FROM (FROM visit_order ANTI JOIN answered USING (visit_ro)) AS v
    JOIN repair_order AS o USING (ro_id)
    JOIN vehicle_span AS s USING (vin)
    LEFT JOIN order_distance AS d USING (ro_id)
    GROUP BY v.visit_ro
)
SELECT n.sign, n.vehicle, n.visit_ro, v.days, v.distance, coalesce(d.unread, false) AS unread,
       coalesce(d.failed, []) AS failed, 1 AS visits
FROM noticed AS n JOIN visit AS v USING (visit_ro) LEFT JOIN done AS d USING (visit_ro)
UNION ALL
-- Visits that found something failed are counted.
SELECT sign, NULL, NULL, NULL, NULL, false, [], count(*)
FROM noticed SEMI JOIN answered USING (visit_ro)
GROUP BY sign
