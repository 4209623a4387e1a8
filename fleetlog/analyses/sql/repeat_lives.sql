-- The lives of every component that ever failed, by what tells the cells of repeat failures apart.
-- begun tells like from like: 0, as the factory fitted it and watched from new; 1, renewed under
-- watch; 2 and up, on the vehicle when it came under watch, by the band of its assumed age then (an
-- earlier renewal is unknown, but just as likely for all that came at that age).
-- Lives of vehicles that no line touched follow from their spans, as in select_lives.sql.
-- Growth: linear in lives and in vehicles times components.
WITH at_fault AS (
    SELECT DISTINCT component FROM life WHERE ended_by = 'failed'
), place AS (
    SELECT engine_family, component, list(ordinal ORDER BY ordinal) AS positions
    FROM component_position SEMI JOIN at_fault USING (component)
    GROUP BY ALL
), lived AS (
    SELECT s.vin, s.engine_family, l.component, l.positions, l.generation,
           l.generation = 1 AND l.generation_assumed AS assumed, l.part_maker, l.part_lot,
           l.entry_distance AS entry, l.exit_distance AS exit,
           CASE WHEN l.ended_by = 'failed' THEN l.failure_mode END AS failure_mode,
           l.entry_days, l.exit_days, l.ended_by, l.position_assumed, l.fitted_ro, l.ended_ro
    FROM life AS l SEMI JOIN at_fault USING (component) JOIN vehicle_span AS s USING (vin)
    UNION ALL
    SELECT s.vin, s.engine_family, p.component, p.positions, 1, s.generation_assumed, NULL, NULL,
           greatest(0, s.entry_distance - s.start_distance), s.exit_distance - s.start_distance,
           NULL, s.entry_on - s.in_service_on, s.exit_on - s.in_service_on, 'still fitted', false, NULL, NULL
    FROM vehicle_span AS s JOIN place AS p USING (engine_family)
    ANTI JOIN (SELECT DISTINCT vin, component FROM life) USING (vin, component)
)
SELECT l.vin, l.component, l.engine_family, array_to_string(l.positions, ' ') AS positions,
       CASE WHEN l.generation > 1 THEN 1
            WHEN l.assumed THEN 2 + len(list_filter($edges[2:], lambda edge: edge <= l.entry))
            ELSE 0 END AS begun,
       l.part_maker, l.part_lot, l.entry, l.exit, l.failure_mode, l.entry_days, l.exit_days, l.ended_by,
       l.position_assumed, l.fitted_ro, l.ended_ro, v.model_year, v.depot
FROM lived AS l JOIN vehicle AS v USING (vin)
WHERE l.exit > l.entry
