-- How often each complaint was written, and how often each followed another as the next visit of the
-- vehicle within window_days (is_next; the one before it in before). Growth: n log n in the orders.
WITH told AS (
    SELECT o.complaint, lag(o.complaint) OVER vehicle AS before,
           coalesce(o.opened_on - lag(o.opened_on) OVER vehicle BETWEEN 1 AND $window_days
                    AND lag(coalesce(j.visit_ro, o.ro_id)) OVER vehicle <> coalesce(j.visit_ro, o.ro_id), false)
               AS is_next
    FROM repair_order AS o LEFT JOIN order_visit AS j USING (ro_id)
    WINDOW vehicle AS (PARTITION BY o.vin ORDER BY o.opened_on, o.ro_id)
)
SELECT complaint, CASE WHEN is_next THEN before END AS before, is_next, count(*) AS orders
FROM told
GROUP BY ALL
