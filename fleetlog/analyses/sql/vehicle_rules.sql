-- The tasks that the vehicle's engine family is due for at intervals.
SELECT r.task, r.component, c.title, r.every_distance, r.every_days, r.every_hours, r.origin,
       r.safety_critical OR coalesce(c.safety_critical, false) AS safety_critical
FROM service_rule AS r LEFT JOIN component AS c ON c.code = r.component
WHERE r.engine_family = $engine_family
ORDER BY r.task, r.origin
