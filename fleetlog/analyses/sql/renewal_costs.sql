-- What it has cost to renew one part: planned, and after a failure. An order's whole cost is
-- shared over the parts of this component that were renewed on purpose; after a failure it is
-- shared over the failed ones only, for they caused the order.
WITH renewed AS (
    SELECT o.ro_id, l.reason, len(e.positions) AS parts,
           (coalesce(o.labour_cost, 0) + coalesce(o.parts_cost, 0))::DOUBLE AS cost,
           coalesce(o.downtime_h, 0) AS downtime_h
    FROM position_event AS e
    JOIN repair_line AS l USING (ro_id, line_no)
    JOIN repair_order AS o USING (ro_id)
    JOIN vehicle AS v ON v.vin = e.vin
    WHERE e.component = $component AND e.ends_life
      AND ($engine_family IS NULL OR v.engine_family = $engine_family)
      AND coalesce(o.labour_cost, o.parts_cost) IS NOT NULL
), per_order AS (
    SELECT ro_id, any_value(cost) AS cost, any_value(downtime_h) AS downtime_h,
           coalesce(sum(parts) FILTER (WHERE reason = 'failed'), 0) AS failed_parts,
           sum(parts) AS parts
    FROM renewed
    GROUP BY ro_id
)
SELECT median(cost / failed_parts) FILTER (WHERE failed_parts > 0) AS failure_cost,
       median(downtime_h / failed_parts) FILTER (WHERE failed_parts > 0) AS failure_downtime_h,
       count(*) FILTER (WHERE failed_parts > 0) AS failure_orders,
       median(cost / parts) FILTER (WHERE failed_parts = 0) AS planned_cost,
       count(*) FILTER (WHERE failed_parts = 0) AS planned_orders,
       median(cost / parts) FILTER (WHERE failed_parts > 0) AS failure_cost_shared
FROM per_order
