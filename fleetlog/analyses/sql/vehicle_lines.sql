-- The lines of one vehicle's orders; why a line made no event, where it made none. All by the
-- numbers of the orders, which rise with the loads: most of each table is passed over.
WITH mine AS MATERIALIZED (
    SELECT unnest($orders) AS ro_id
), line AS MATERIALIZED (
    FROM repair_line WHERE ro_id IN (SELECT ro_id FROM mine)
), event AS MATERIALIZED (
    SELECT ro_id, line_no, positions, position_assumed FROM position_event
    WHERE ro_id IN (SELECT ro_id FROM mine)
), unused AS MATERIALIZED (
    SELECT ro_id, line_no, why FROM left_out_line WHERE ro_id IN (SELECT ro_id FROM mine)
)
SELECT l.ro_id, l.line_no, l.component, c.title, c.access_group, $engine_family AS engine_family,
       e.positions, coalesce(e.position_assumed, false) AS position_assumed, l.action, l.reason,
       l.failure_mode, l.part_no, l.part_maker, l.part_lot, l.qty, l.description, x.why AS left_out
FROM line AS l
LEFT JOIN component AS c ON c.code = l.component
LEFT JOIN event AS e ON e.ro_id = l.ro_id AND e.line_no = l.line_no
LEFT JOIN unused AS x ON x.ro_id = l.ro_id AND x.line_no = l.line_no
ORDER BY l.ro_id, l.line_no
