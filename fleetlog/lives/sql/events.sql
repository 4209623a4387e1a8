-- What was done at each position. A line that names a group of positions ("bank 2, exhaust side",
-- 8 off) stands for all of them; one that names fewer parts than fit its words is given positions
-- that no other line names, in order, and is marked as assumed: those are the largest group of
-- parts of one age. Growth: n log n in the lines (one sort of those that need assuming).

-- Few lines differ in the words by which they name positions: match each way of naming once.
CREATE OR REPLACE TEMP TABLE named_group AS
WITH naming AS (
    SELECT DISTINCT component, bank, cylinder, side, slot FROM repair_line WHERE component IS NOT NULL
)
SELECT p.engine_family, n.*, list(p.ordinal ORDER BY p.ordinal) AS candidates
FROM naming AS n
JOIN component_position AS p
  ON p.component = n.component
 AND (n.bank IS NULL OR n.bank = p.bank)
 AND (n.cylinder IS NULL OR n.cylinder = p.cylinder)
 AND (n.side IS NULL OR n.side = p.side)
 AND (n.slot IS NULL OR n.slot = p.slot)
GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE asked_line AS
SELECT row_number() OVER (ORDER BY l.ro_id, l.line_no) AS line_key,
       l.ro_id, l.line_no, d.vehicle_no, d.vin, c.rowid AS component_no, l.component,
       coalesce(l.bank::VARCHAR, l.cylinder::VARCHAR, l.side, l.slot::VARCHAR) IS NOT NULL AS placed,
       l.bank, l.cylinder, l.side, l.slot,
       l.action, l.reason, l.failure_mode, l.part_maker, l.part_lot, l.part_no,
       d.done_on, d.distance, d.distance_estimated,
       l.action = 'replaced' OR (l.action = 'repaired' AND l.reason = 'failed') AS ends_life,
       g.candidates,
       least(len(g.candidates), greatest(1, round(coalesce(l.qty, CASE
           -- Words that name a group, without a number, mean the whole group.
           WHEN placed THEN len(g.candidates)
           ELSE 1 END))))::INTEGER AS wanted,
       coalesce(d.unusable, t.told_on, CASE WHEN g.candidates IS NULL
           THEN 'no such part or position on this engine family' END) AS unusable
FROM repair_line AS l
JOIN dated_order AS d USING (ro_id)
LEFT JOIN told_line AS t ON t.ro_id = l.ro_id AND t.line_no = l.line_no
JOIN component AS c ON c.code = l.component
LEFT JOIN named_group AS g
  ON g.engine_family = d.engine_family AND g.component = l.component
 AND l.bank IS NOT DISTINCT FROM g.bank AND l.cylinder IS NOT DISTINCT FROM g.cylinder
 AND l.side IS NOT DISTINCT FROM g.side AND l.slot IS NOT DISTINCT FROM g.slot
WHERE l.action = 'replaced'
   OR (l.action = 'repaired' AND l.reason = 'failed')
   OR l.action = 'inspected';

INSERT INTO left_out_line BY NAME
SELECT ro_id, line_no, vin, component, unusable AS why
FROM asked_line
WHERE unusable IS NOT NULL
UNION ALL BY NAME
SELECT l.ro_id, l.line_no, d.vin, NULL AS component, 'part not recognised: kept as text' AS why
FROM repair_line AS l JOIN dated_order AS d USING (ro_id)
WHERE l.component IS NULL;

CREATE OR REPLACE TEMP TABLE placed_line AS
WITH taken AS (
    SELECT vehicle_no, component_no, list(DISTINCT ordinal) AS ordinals
    FROM (SELECT vehicle_no, component_no, unnest(candidates) AS ordinal
          FROM asked_line
          WHERE unusable IS NULL AND placed AND wanted = len(candidates))
    GROUP BY ALL
), queued AS (
    SELECT u.line_key, wanted,
           list_filter(candidates, lambda ordinal: NOT list_contains(coalesce(t.ordinals, []), ordinal))
           || list_filter(candidates, lambda ordinal: list_contains(coalesce(t.ordinals, []), ordinal))
               AS in_turn,
           (coalesce(sum(wanted) OVER (
               PARTITION BY u.vehicle_no, u.component_no, bank, cylinder, side, slot
               ORDER BY done_on, line_key
               ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) % len(candidates))::INTEGER
               AS given_before
    FROM asked_line AS u LEFT JOIN taken AS t USING (vehicle_no, component_no)
    WHERE unusable IS NULL AND wanted < len(candidates)
)
SELECT line_key, candidates AS positions, false AS position_assumed
FROM asked_line
WHERE unusable IS NULL AND wanted = len(candidates)
UNION ALL
SELECT line_key, list_sort((in_turn || in_turn)[given_before + 1 : given_before + wanted]), true
FROM queued;

INSERT INTO position_event BY NAME
SELECT a.ro_id, a.line_no, a.vin, a.component, p.positions, p.position_assumed, a.done_on,
       a.distance, a.distance_estimated, a.ends_life
FROM placed_line AS p JOIN asked_line AS a USING (line_key);
