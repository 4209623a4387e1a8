-- Every life of one component, touched or not, split by the position fields that are asked for.
-- Lives of vehicles that no line touched follow from the span of the vehicle, once per class of
-- positions with the number of positions as weight. Growth: linear in vehicles and lives.
WITH class_of AS (
    SELECT engine_family, ordinal,
           CASE WHEN $by_bank THEN bank END AS bank,
           CASE WHEN $by_cylinder THEN cylinder END AS cylinder,
           CASE WHEN $by_side THEN side END AS side,
           CASE WHEN $by_slot THEN slot END AS slot
    FROM component_position
    WHERE component = $component
      AND ($engine_family IS NULL OR engine_family = $engine_family)
), class_size AS (
    SELECT engine_family, bank, cylinder, side, slot, count(*) AS weight FROM class_of GROUP BY ALL
), one AS (
    SELECT row_number() OVER () AS life_no, s.engine_family, l.*
    FROM life AS l JOIN vehicle_span AS s USING (vin)
    WHERE l.component = $component
      AND ($engine_family IS NULL OR s.engine_family = $engine_family)
), touched AS (
    SELECT o.life_no, c.bank, c.cylinder, c.side, c.slot, count(*) AS weight
    FROM (SELECT life_no, engine_family, unnest(positions) AS ordinal FROM one) AS o
    JOIN class_of AS c USING (engine_family, ordinal)
    GROUP BY ALL
), together AS (
    SELECT o.vin, o.engine_family, t.bank, t.cylinder, t.side, t.slot, t.weight,
           o.generation, o.begun_by, o.generation_assumed, o.position_assumed,
           o.entry_distance, o.exit_distance, o.entry_days, o.exit_days,
           o.ended_by, o.failure_mode, o.last_good_distance, o.last_good_days,
           o.distance_estimated, o.part_maker, o.part_lot, o.fitted_ro, o.ended_ro, o.ended_line
    FROM one AS o JOIN touched AS t USING (life_no)
    UNION ALL
    SELECT s.vin, s.engine_family, c.bank, c.cylinder, c.side, c.slot, c.weight,
           1, 'factory', s.generation_assumed, false,
           greatest(0, s.entry_distance - s.start_distance), s.exit_distance - s.start_distance,
           s.entry_on - s.in_service_on, s.exit_on - s.in_service_on,
           'still fitted', NULL, NULL, NULL, false, NULL, NULL, NULL, NULL, NULL
    FROM vehicle_span AS s
    JOIN class_size AS c USING (engine_family)
    ANTI JOIN one AS o ON o.vin = s.vin
)
SELECT t.*, v.unit_no, v.duty, v.depot, v.model_year
FROM together AS t JOIN vehicle AS v USING (vin)
