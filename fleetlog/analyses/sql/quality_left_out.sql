-- Lines that made no event, by why; told double orders and uncoded lines are counted elsewhere too.
SELECT regexp_replace(x.why, ' RO .*', ' another order') AS why, count(*) AS lines,
       count(*) FILTER (l.reason = 'failed') AS failed, list(DISTINCT o.ro_no)[1:3] AS orders
FROM left_out_line x
JOIN repair_line l USING (ro_id, line_no) JOIN repair_order o USING (ro_id)
GROUP BY 1 ORDER BY lines DESC, 1
