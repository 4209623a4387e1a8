-- Where the part of each shop's lines was read, and what is known of those that are coded.
SELECT o.shop, count(*) AS lines,
       count(*) FILTER (l.coded_from = 'columns') AS from_columns,
       count(*) FILTER (l.coded_from = 'text') AS from_text,
       count(*) FILTER (l.coded_from = 'nothing') AS kept_as_text,
       count(*) FILTER (l.component IS NOT NULL AND l.reason <> 'unknown' AND l.action IS NOT NULL) AS known,
       count(*) FILTER (l.component IS NOT NULL AND l.reason = 'failed' AND l.action IN ('replaced', 'repaired')) AS failed,
       count(*) FILTER (l.component IS NOT NULL AND l.reason <> 'unknown' AND l.action IN ('replaced', 'repaired')) AS renewed_known,
       count(*) FILTER (l.component IS NULL AND coalesce(l.description, o.cause, o.correction) IS NOT NULL
                        AND coalesce(l.action, 'replaced') IN ('replaced', 'repaired')) AS uncoded,
       count(*) FILTER (l.component IS NOT NULL AND l.reason = 'unknown' AND l.action IN ('replaced', 'repaired')) AS no_reason,
       count(*) FILTER (l.component IS NOT NULL AND l.action IS NULL) AS no_action,
       list(DISTINCT o.ro_no) FILTER (l.component IS NULL)[1:3] AS uncoded_orders,
       list(DISTINCT o.ro_no) FILTER (l.component IS NOT NULL AND l.reason = 'unknown' AND l.action IN ('replaced', 'repaired'))[1:3] AS no_reason_orders,
       list(DISTINCT o.ro_no) FILTER (l.component IS NOT NULL AND l.action IS NULL)[1:3] AS no_action_orders
FROM repair_line l JOIN repair_order o USING (ro_id)
GROUP BY o.shop ORDER BY o.shop
