-- The shortest interval that the maker or the law sets for a component.
SELECT every_distance, every_days, origin
FROM service_rule
WHERE component = $component
  AND origin IN ('maker', 'legal')
  AND ($engine_family IS NULL OR engine_family = $engine_family)
ORDER BY CASE WHEN $clock = 'distance' THEN every_distance ELSE every_days END NULLS LAST
LIMIT 1
