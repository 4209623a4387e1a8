-- Visits that worked on the named part: for its own sake or on the side of another job, and, where
-- places are asked about, which places the lines name. family_order is a frame of the caller: see
-- have_ready_family.sql. Growth: linear in the lines of the part.
SELECT o.visit_ro, l.reason IN ('while-apart', 'broke-in-work') AS on_side,
       CASE WHEN $placed THEN l.bank END AS bank, CASE WHEN $placed THEN l.cylinder END AS cylinder,
       CASE WHEN $placed THEN l.side END AS side, CASE WHEN $placed THEN l.slot END AS slot
FROM repair_line AS l
JOIN family_order AS o USING (ro_id)
WHERE l.component = $component AND (l.action IS NULL OR l.action <> 'inspected')
GROUP BY ALL
