-- Visits with a complaint that says a sign, or with a fault code, that found nothing failed: what was
-- noticed and at what age. Orders linked as one job are one visit, and tell a sign once. A line whose
-- part nobody recognised may have been the answer. complaint_sign is a frame of the caller: text,
-- signs. The codes of an order are distinct and in capitals since they were read.
-- Lists are costly to gather, so visits that are told in one order are counted before any is built.
-- Growth: linear in the orders and lines but for one grouping of the visits that stay.
WITH linked AS MATERIALIZED (
    -- The orders of visits that are told in several.
    SELECT ro_id, visit_ro FROM order_visit
    UNION
    SELECT visit_ro, visit_ro FROM order_visit
), line AS (
    SELECT coalesce(j.visit_ro, l.ro_id) AS visit_ro, l.component, l.reason = 'failed' AS failed
    FROM repair_line AS l LEFT JOIN linked AS j USING (ro_id)
    WHERE l.reason = 'failed' OR l.component IS NULL
), answered AS (
    SELECT visit_ro FROM line WHERE failed AND NOT $keep_answered
), told AS (
    SELECT o.ro_id, coalesce(j.visit_ro, o.ro_id) AS visit_ro, j.ro_id IS NOT NULL AS linked,
           s.rowid AS vehicle, o.opened_on - s.in_service_on AS days, s.start_distance,
           coalesce(c.signs, []) AS heard,
           CASE WHEN $sign IS NULL THEN o.fault_codes ELSE list_intersect(o.fault_codes, [$sign]) END AS codes
    FROM repair_order AS o
    JOIN vehicle_span AS s USING (vin)
    LEFT JOIN linked AS j USING (ro_id)
    LEFT JOIN complaint_sign AS c ON c.text = o.complaint
    WHERE ($engine_family IS NULL OR s.engine_family = $engine_family)
      AND ($sign IS NULL OR c.text IS NOT NULL OR list_contains(o.fault_codes, $sign) OR linked)
), visit AS (
    SELECT o.visit_ro, o.vehicle, min(o.days)::BIGINT AS days,
           min(d.distance - o.start_distance)::BIGINT AS distance,
           list_distinct(flatten(list(list_concat(o.heard, o.codes)))) AS signs
    FROM (FROM told ANTI JOIN answered USING (visit_ro)) AS o
    LEFT JOIN order_distance AS d USING (ro_id)
    GROUP BY o.visit_ro, o.vehicle
    HAVING len(signs) > 0
), found AS (
    SELECT visit_ro, list(DISTINCT component) AS failed
    FROM line
    WHERE failed AND $keep_answered
    GROUP BY visit_ro
)
SELECT v.*, v.visit_ro IN (SELECT visit_ro FROM line WHERE component IS NULL) AS unread,
       coalesce(f.failed, []) AS failed, NULL AS answered
FROM visit AS v LEFT JOIN found AS f USING (visit_ro)
UNION ALL
-- Of visits that found something failed the signs are counted.
SELECT NULL, NULL, NULL, NULL, [], false, [], sum(len(heard) + len(codes))::BIGINT
FROM told SEMI JOIN answered USING (visit_ro)
WHERE NOT linked
UNION ALL
SELECT NULL, NULL, NULL, NULL, [], false, [],
       len(list_distinct(flatten(list(list_concat(heard, codes)))))
FROM told SEMI JOIN answered USING (visit_ro)
WHERE linked
GROUP BY visit_ro
