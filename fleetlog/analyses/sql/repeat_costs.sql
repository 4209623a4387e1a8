-- What one failed part has cost, by component: an order's whole cost shared over the parts that had
-- failed, as renewal_costs.sql has it for one.
WITH per_order AS (
    SELECT e.component, e.ro_id, sum(len(e.positions)) AS parts,
           any_value(coalesce(o.labour_cost, 0) + coalesce(o.parts_cost, 0))::DOUBLE AS cost,
           any_value(coalesce(o.downtime_h, 0)) AS downtime_h
    FROM position_event AS e
    JOIN repair_line AS l USING (ro_id, line_no)
    JOIN repair_order AS o USING (ro_id)
    WHERE e.ends_life AND l.reason = 'failed' AND coalesce(o.labour_cost, o.parts_cost) IS NOT NULL
    GROUP BY e.component, e.ro_id
)
SELECT component, median(cost / parts) AS cost, median(downtime_h / parts) AS downtime_h,
       count(*) AS orders
FROM per_order
GROUP BY component
