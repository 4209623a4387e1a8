-- What sits at every position of one vehicle now. A part that some line fitted is in the life that
-- goes on; it is found by the number of its order, which rises with the loads, so that most of the
-- lives are passed over. Every other position holds what the factory fitted.
WITH fitted AS MATERIALIZED (
    SELECT component, positions, weight AS count, generation, begun_by, position_assumed,
           exit_distance AS age_distance, exit_days AS age_days, part_maker, part_lot, part_no,
           fitted_ro
    FROM life
    WHERE fitted_ro IN (SELECT unnest($orders)) AND ended_by = 'still fitted'
), taken AS (
    SELECT component, list(ordinal) AS ordinals
    FROM (SELECT component, unnest(positions) AS ordinal FROM fitted)
    GROUP BY component
), untouched AS (
    SELECT p.component, t.component IS NOT NULL AS touched, list(p.ordinal ORDER BY p.ordinal) AS positions
    FROM component_position AS p LEFT JOIN taken AS t USING (component)
    WHERE p.engine_family = $engine_family
      AND NOT coalesce(list_contains(t.ordinals, p.ordinal), false)
    GROUP BY ALL
)
SELECT c.system, p.component, c.title, $engine_family AS engine_family, c.access_group,
       c.safety_critical, $generation_assumed AS generation_assumed, p.* EXCLUDE (component)
FROM (
    SELECT *, true AS touched FROM fitted
    UNION ALL BY NAME
    SELECT component, positions, len(positions)::SMALLINT AS count, 1::SMALLINT AS generation,
           'factory' AS begun_by, false AS position_assumed, $age_distance::INTEGER AS age_distance,
           $age_days::INTEGER AS age_days, touched
    FROM untouched
) AS p
JOIN component AS c ON c.code = p.component
ORDER BY p.touched DESC, c.system, c.title, p.positions
