-- How many orders and lines of each shop have a value in each field.
SELECT shop, 'order' AS of_what, f.field, count(*) AS rows, sum(f.there::INTEGER)::BIGINT AS filled
FROM (
    SELECT shop, unnest([
        {field: 'odometer', there: odometer IS NOT NULL},
        {field: 'closed_on', there: closed_on IS NOT NULL},
        {field: 'technician', there: technician IS NOT NULL},
        {field: 'complaint', there: complaint IS NOT NULL},
        {field: 'correction', there: correction IS NOT NULL},
        {field: 'labour_cost', there: labour_cost IS NOT NULL},
        {field: 'parts_cost', there: parts_cost IS NOT NULL},
        {field: 'downtime_h', there: downtime_h IS NOT NULL},
        {field: 'road_tested', there: road_tested IS NOT NULL}
    ]) AS f
    FROM repair_order
)
GROUP BY ALL
UNION ALL
SELECT shop, 'line', f.field, count(*) FILTER (f.asked), sum((f.asked AND f.there)::INTEGER)::BIGINT
FROM (
    SELECT o.shop, unnest([
        {field: 'component', asked: true, there: l.component IS NOT NULL},
        {field: 'action', asked: true, there: l.action IS NOT NULL},
        {field: 'reason', asked: true, there: l.reason <> 'unknown'},
        {field: 'failure_mode', asked: l.reason = 'failed', there: l.failure_mode IS NOT NULL},
        {field: 'part_no', asked: l.action = 'replaced', there: l.part_no IS NOT NULL},
        {field: 'part_maker', asked: l.action = 'replaced', there: l.part_maker IS NOT NULL},
        {field: 'part_lot', asked: l.action = 'replaced', there: l.part_lot IS NOT NULL},
        {field: 'qty', asked: l.action = 'replaced', there: l.qty IS NOT NULL},
        {field: 'cost', asked: true, there: l.cost IS NOT NULL}
    ]) AS f
    FROM repair_line l JOIN repair_order o USING (ro_id)
)
GROUP BY ALL HAVING count(*) FILTER (f.asked) > 0
ORDER BY 2 DESC, 3, 1
