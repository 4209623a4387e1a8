-- One life from each fitting to the next removal or to the last that was seen of the vehicle.
-- Positions that share a life are one row. Growth: n log n in the position events (one sort).

CREATE OR REPLACE TEMP TABLE mark AS
SELECT a.vehicle_no, a.component_no, unnest(p.positions) AS ordinal, a.line_key, a.done_on,
       a.distance, a.distance_estimated, p.position_assumed
FROM placed_line AS p JOIN asked_line AS a USING (line_key)
WHERE a.ends_life;

CREATE OR REPLACE TEMP TABLE fitted AS
WITH ordered AS (
    SELECT *,
           row_number() OVER w AS removal,
           lag(line_key) OVER w AS fitted_key,
           lag(distance_estimated) OVER w AS fitted_estimated,
           lag(position_assumed) OVER w AS fitted_assumed,
           lead(line_key) OVER w IS NULL AS is_last
    FROM mark
    WINDOW w AS (PARTITION BY vehicle_no, component_no, ordinal ORDER BY done_on, distance, line_key)
)
-- lives that a removal ended
SELECT vehicle_no, component_no, ordinal, removal AS generation, fitted_key, line_key AS ended_key,
       distance_estimated OR coalesce(fitted_estimated, false) AS distance_estimated,
       position_assumed OR coalesce(fitted_assumed, false) AS position_assumed
FROM ordered
UNION ALL
-- and the one that goes on after the last removal
SELECT vehicle_no, component_no, ordinal, removal + 1, line_key, NULL, distance_estimated,
       position_assumed
FROM ordered
WHERE is_last;

CREATE OR REPLACE TEMP TABLE shared_life AS
WITH all_ordinals AS (
    SELECT engine_family, c.rowid AS component_no, list(ordinal ORDER BY ordinal) AS ordinals
    FROM component_position AS p JOIN component AS c ON c.code = p.component
    GROUP BY ALL
), rest AS (
    -- positions of a touched component that no removal names: as the factory fitted them
    SELECT t.vehicle_no, t.component_no,
           list_filter(a.ordinals, lambda ordinal: NOT list_contains(t.touched, ordinal)) AS positions
    FROM (SELECT vehicle_no, component_no, list(DISTINCT ordinal) AS touched FROM mark GROUP BY ALL)
        AS t
    JOIN watched USING (vehicle_no)
    JOIN all_ordinals AS a USING (engine_family, component_no)
    WHERE len(a.ordinals) > len(t.touched)
)
SELECT any_value(vehicle_no) AS vehicle_no, any_value(component_no) AS component_no,
       generation::SMALLINT AS generation, list(ordinal ORDER BY ordinal) AS positions,
       fitted_key, ended_key,
       bool_or(distance_estimated) AS distance_estimated,
       bool_or(position_assumed) AS position_assumed
FROM fitted
-- A line is of one vehicle and one component.
GROUP BY fitted_key, ended_key, generation
UNION ALL
SELECT vehicle_no, component_no, 1, positions, NULL, NULL, false, false FROM rest;

-- A failure that an inspection found, after one that had found the part good, happened somewhere
-- between the two: the last good one bounds it from below.
CREATE OR REPLACE TEMP TABLE last_good AS
WITH seen AS (
    SELECT a.ro_id, a.vehicle_no, a.component_no, unnest(p.positions) AS ordinal, a.done_on,
           a.distance, a.reason = 'failed' OR a.failure_mode IS NOT NULL AS bad
    FROM placed_line AS p JOIN asked_line AS a USING (line_key)
    WHERE NOT a.ends_life
), bad AS (
    SELECT DISTINCT ro_id, component_no, ordinal FROM seen WHERE bad
), found AS (
    SELECT f.vehicle_no, f.component_no, f.ordinal, f.fitted_key, f.ended_key, e.done_on
    FROM fitted AS f
    JOIN asked_line AS e ON e.line_key = f.ended_key AND e.reason = 'failed'
    JOIN bad AS b ON b.ro_id = e.ro_id AND b.component_no = f.component_no AND b.ordinal = f.ordinal
)
SELECT f.fitted_key, f.ended_key, max(s.distance) AS distance, max(s.done_on) AS done_on
FROM found AS f
JOIN seen AS s ON s.vehicle_no = f.vehicle_no AND s.component_no = f.component_no
              AND s.ordinal = f.ordinal AND NOT s.bad AND s.done_on < f.done_on
LEFT JOIN asked_line AS b ON b.line_key = f.fitted_key
WHERE b.done_on IS NULL OR s.done_on > b.done_on
GROUP BY ALL;

INSERT INTO life BY NAME
SELECT w.vin, c.code AS component, l.generation, l.positions, len(l.positions)::SMALLINT AS weight,
       coalesce(f.action, 'factory') AS begun_by,
       w.generation_assumed, l.position_assumed,
       greatest(0, w.entry_distance - coalesce(f.distance, w.start_distance)) AS entry_distance,
       greatest(0, coalesce(e.distance, w.exit_distance) - coalesce(f.distance, w.start_distance))
           AS exit_distance,
       greatest(0, w.entry_on - coalesce(f.done_on, w.in_service_on)) AS entry_days,
       greatest(0, coalesce(e.done_on, w.exit_on) - coalesce(f.done_on, w.in_service_on)) AS exit_days,
       coalesce(e.reason, 'still fitted') AS ended_by,
       CASE WHEN e.reason = 'failed' THEN coalesce(e.failure_mode, 'not stated') END AS failure_mode,
       nullif(greatest(0, g.distance - coalesce(f.distance, w.start_distance)), 0)
           AS last_good_distance,
       nullif(greatest(0, g.done_on - coalesce(f.done_on, w.in_service_on)), 0) AS last_good_days,
       l.distance_estimated,
       f.part_maker, f.part_lot, f.part_no,
       f.ro_id AS fitted_ro, f.line_no AS fitted_line, e.ro_id AS ended_ro, e.line_no AS ended_line
FROM shared_life AS l
JOIN watched AS w USING (vehicle_no)
JOIN component AS c ON c.rowid = l.component_no
LEFT JOIN asked_line AS f ON f.line_key = l.fitted_key
LEFT JOIN asked_line AS e ON e.line_key = l.ended_key
LEFT JOIN last_good AS g ON g.ended_key = l.ended_key
                        AND g.fitted_key IS NOT DISTINCT FROM l.fitted_key;
