-- The failures that lives end with, and what is assumed or missing about them, by shop.
SELECT o.shop, sum(l.weight)::BIGINT AS failures,
       coalesce(sum(l.weight) FILTER (l.position_assumed), 0)::BIGINT AS position_assumed,
       coalesce(sum(l.weight) FILTER (l.distance_estimated), 0)::BIGINT AS distance_estimated,
       coalesce(sum(l.weight) FILTER (l.failure_mode = 'not stated'), 0)::BIGINT AS no_failure_mode,
       list(DISTINCT o.ro_no) FILTER (l.position_assumed)[1:3] AS position_assumed_orders,
       list(DISTINCT o.ro_no) FILTER (l.distance_estimated)[1:3] AS distance_estimated_orders,
       list(DISTINCT o.ro_no) FILTER (l.failure_mode = 'not stated')[1:3] AS no_failure_mode_orders
FROM life l JOIN repair_order o ON o.ro_id = l.ended_ro
WHERE l.ended_by = 'failed'
GROUP BY o.shop ORDER BY o.shop
