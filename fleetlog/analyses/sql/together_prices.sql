-- What a part costs, the labour that it adds while the covers are off, and the labour and the time
-- stopped of an order that its failure led to; for this engine family and for all (in_family null).
-- The line with the most labour among those of the access group carries the opening.
WITH asked AS (
    SELECT o.ro_id, l.line_no, e.component, s.engine_family = $engine_family AS in_family, l.reason,
           len(e.positions) AS parts, CASE WHEN l.action = 'replaced' THEN l.cost::DOUBLE END AS cost,
           -- A shop that writes labour by order tells that of a line only where there is but one.
           coalesce(l.labour_h, CASE WHEN n.lines = 1 THEN o.labour_h END) AS labour_h, o.downtime_h
    FROM position_event AS e
    JOIN component AS c ON c.code = e.component AND c.access_group = $access_group
    JOIN repair_line AS l USING (ro_id, line_no)
    JOIN repair_order AS o USING (ro_id)
    JOIN vehicle_span AS s ON s.vin = e.vin
    JOIN (SELECT ro_id, count(*) AS lines FROM repair_line GROUP BY ro_id) AS n USING (ro_id)
    WHERE e.ends_life
), placed AS (
    SELECT *, row_number() OVER (PARTITION BY ro_id ORDER BY labour_h DESC NULLS LAST, line_no) AS place
    FROM asked
)
SELECT component, in_family,
       median(cost / parts) AS part_cost, count(cost) AS part_lines,
       median(labour_h / parts) FILTER (place > 1) AS extra_h,
       count(labour_h) FILTER (place > 1) AS extra_lines,
       median(labour_h) FILTER (place = 1 AND reason = 'failed') AS own_h,
       count(labour_h) FILTER (place = 1 AND reason = 'failed') AS own_lines,
       median(downtime_h) FILTER (place = 1 AND reason = 'failed') AS downtime_h,
       count(downtime_h) FILTER (place = 1 AND reason = 'failed') AS downtime_orders
FROM placed
GROUP BY GROUPING SETS ((component, in_family), (component), (in_family), ())
