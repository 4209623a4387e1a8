-- The orders on which parts of one vehicle failed.
SELECT l.component, c.title, l.ended_ro AS ro_id, sum(l.weight)::BIGINT AS parts
FROM life AS l JOIN component AS c ON c.code = l.component
WHERE l.vin = $vin AND l.ended_by = 'failed'
GROUP BY ALL
