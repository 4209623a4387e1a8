-- What each order did to each component, and under which subject a later fault counts as its
-- comeback: the component itself, or the parts behind the same covers.
SELECT l.ro_id, l.component, l.subject, l.subject AS key,
       bool_or(l.reason = 'failed') AS at_fault,
       bool_and(l.reason = 'planned') AS planned_only,
       -- Of one component an order has fitted parts of one maker, or of several.
       CASE WHEN min(l.part_maker) = max(l.part_maker) THEN min(l.part_maker)
            WHEN min(l.part_maker) IS NOT NULL THEN 'several makers' END AS part_maker,
       CASE WHEN min(l.part_lot) = max(l.part_lot) THEN min(l.part_lot)
            WHEN min(l.part_lot) IS NOT NULL THEN 'several lots' END AS part_lot
FROM (SELECT r.ro_id, r.component, r.reason, r.part_maker, r.part_lot,
             CASE WHEN $same = 'access-group' THEN coalesce(c.access_group, c.code) ELSE c.code END AS subject
      FROM repair_line AS r JOIN component AS c ON c.code = r.component
      WHERE r.action <> 'inspected') AS l
WHERE $component IS NULL
   OR l.subject = (SELECT CASE WHEN $same = 'access-group' THEN coalesce(access_group, code) ELSE code END
                   FROM component WHERE code = $component)
GROUP BY l.ro_id, l.component, l.subject
