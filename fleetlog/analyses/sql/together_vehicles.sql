-- Every vehicle of an engine family: how long it was watched, and how far it had gone when one of
-- the components asked about first failed on it. The second distance is that of the first failure
-- at any other position, which is what the position that failed first itself is to be held against.
-- found_with_first counts the positions that the order of the first failure found failed.
WITH failed AS (
    SELECT l.vin, l.component, unnest(l.positions) AS ordinal, e.distance, l.ended_ro
    FROM life AS l
    JOIN vehicle_span AS s USING (vin)
    JOIN position_event AS e ON e.ro_id = l.ended_ro AND e.line_no = l.ended_line
    WHERE l.ended_by = 'failed' AND s.engine_family = $engine_family
      AND list_contains($failed, l.component)
), ranked AS (
    SELECT *, row_number() OVER (PARTITION BY vin ORDER BY distance, component, ordinal) AS place
    FROM failed
), first_of AS (
    SELECT vin, component AS first_component, ordinal AS first_ordinal, distance AS first_distance,
           ended_ro AS first_ro, found_with_first
    FROM (SELECT *, count(*) OVER (PARTITION BY vin, ended_ro) AS found_with_first FROM ranked)
    WHERE place = 1
), second_of AS (
    SELECT r.vin, min(r.distance) AS second_distance, arg_min(r.ended_ro, r.distance) AS second_ro
    FROM ranked AS r JOIN first_of AS f USING (vin)
    WHERE r.component <> f.first_component OR r.ordinal <> f.first_ordinal
    GROUP BY r.vin
)
SELECT s.vin, v.unit_no, row_number() OVER (ORDER BY s.vin) - 1 AS vehicle, s.generation_assumed,
       s.start_distance,
       greatest(0, s.entry_distance - s.start_distance) AS entry, s.exit_distance - s.start_distance AS exit,
       (s.exit_distance - s.entry_distance) / nullif(s.exit_on - s.entry_on, 0) AS per_day,
       f.first_component, f.first_ordinal, f.first_distance, f.first_ro, f.found_with_first,
       g.second_distance, g.second_ro
FROM vehicle_span AS s
JOIN vehicle AS v USING (vin)
LEFT JOIN first_of AS f USING (vin)
LEFT JOIN second_of AS g USING (vin)
WHERE s.engine_family = $engine_family
ORDER BY s.vin
