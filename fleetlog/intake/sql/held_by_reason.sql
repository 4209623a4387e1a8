SELECT p."column", p.problem, count(*) AS rows
FROM (SELECT unnest(problems) AS p FROM held_row WHERE load_id = getvariable('load_id'))
GROUP BY ALL ORDER BY rows DESC, p."column", p.problem
