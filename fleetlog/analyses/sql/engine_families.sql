-- Engine families that have vehicles with a span, largest fleet first.
SELECT s.engine_family AS code, coalesce(any_value(f.title), s.engine_family) AS title,
       count(*) AS vehicles
FROM vehicle_span AS s LEFT JOIN engine_family AS f ON f.code = s.engine_family
GROUP BY s.engine_family
ORDER BY vehicles DESC, code
