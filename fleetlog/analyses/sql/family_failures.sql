-- Components of which parts have failed on vehicles of one family: parts failed, and vehicles.
SELECT l.component, sum(l.weight)::BIGINT AS failures, count(DISTINCT l.vin) AS vehicles
FROM life AS l JOIN vehicle_span AS s USING (vin)
WHERE s.engine_family = $engine_family AND l.ended_by = 'failed'
GROUP BY l.component
HAVING sum(l.weight) >= $fewest
ORDER BY l.component
