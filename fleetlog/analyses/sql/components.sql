-- Components with a recorded life, most failures first. A failure is one part that failed.
SELECT l.component AS code, coalesce(any_value(c.title), l.component) AS title,
       coalesce(sum(l.weight) FILTER (l.ended_by = 'failed'), 0)::BIGINT AS failures,
       count(DISTINCT l.vin) AS vehicles
FROM life AS l
JOIN vehicle_span AS s USING (vin)
LEFT JOIN component AS c ON c.code = l.component
WHERE $engine_family IS NULL OR s.engine_family = $engine_family
GROUP BY l.component
ORDER BY failures DESC, title
