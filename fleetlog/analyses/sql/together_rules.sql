-- Intervals that the maker or the law sets for the components of one access group.
SELECT r.component, min(r.every_distance) AS every_distance, min(r.every_days) AS every_days,
       string_agg(DISTINCT r.origin, ' or ' ORDER BY r.origin) AS origin
FROM service_rule AS r JOIN component AS c ON c.code = r.component
WHERE c.access_group = $access_group AND r.engine_family = $engine_family
  AND r.origin IN ('maker', 'legal')
GROUP BY r.component
