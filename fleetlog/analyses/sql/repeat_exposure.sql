-- How far the parts have gone, by age band: distance per position ("driven"), and how many of the
-- lives came under watch in the band. What stands in braces is repeat_lives.sql. Positions stand
-- together that have one history. Tables of parts of a fleet add up to that of the whole.
-- Growth: linear in lives and bands.
WITH band AS (
    SELECT unnest(range(len($edges))) AS band, unnest($edges) AS low,
           unnest($edges[2:] || [1e12]) AS high
)
SELECT l.component, l.engine_family, l.positions, l.begun, l.model_year, l.depot, l.part_maker,
       l.part_lot, b.band,
       sum(least(l.exit, b.high) - greatest(l.entry, b.low))::DOUBLE AS driven,
       (count(*) FILTER (l.entry >= b.low))::BIGINT AS lives
FROM ({lives}) AS l JOIN band AS b ON l.exit > b.low AND l.entry < b.high
GROUP BY ALL
