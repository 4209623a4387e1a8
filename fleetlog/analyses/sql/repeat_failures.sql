-- The failures, one row for each life that ended so; what stands in braces is repeat_lives.sql.
-- A failure at the end of a band belongs to it, as the distance up to there does.
SELECT l.component, l.engine_family, l.positions, l.begun, l.model_year, l.depot, l.part_maker,
       l.part_lot, len(list_filter($edges[2:], lambda edge: edge < l.exit)) AS band, l.failure_mode,
       l.vin
FROM ({lives}) AS l
WHERE l.failure_mode IS NOT NULL
