-- Where the components of one access group sit on an engine family.
SELECT c.code AS component, c.title, c.safety_critical, c.position_rule, p.ordinal,
       p.bank, p.cylinder, p.side, p.slot
FROM component AS c
JOIN component_position AS p ON p.component = c.code
WHERE c.access_group = $access_group AND p.engine_family = $engine_family
ORDER BY c.code, p.ordinal
