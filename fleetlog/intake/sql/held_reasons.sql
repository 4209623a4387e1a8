-- What is held still, by what is wrong.
WITH last_time AS (
    SELECT max(load_id) AS load_id FROM load GROUP BY kind, sha256
)
SELECT p."column", p.problem, p.remedy, count(*) AS rows, list(DISTINCT h.load_id ORDER BY h.load_id) AS loads,
       min_by(concat(l.file_name, ', sheet ' || h.sheet."name", ', row ', h.file_row - coalesce(h.sheet.rows_before, 0)),
              (h.load_id, h.file_row)) AS first_row,
       min_by(CASE WHEN c.heading = p."column" THEN '(not shown)' ELSE p."value" END,
              (h.load_id, h.file_row)) AS first_value
FROM (
    SELECT load_id, file_row, unnest(problems) AS p,
           list_last(list_filter(sheets, lambda s: s.rows_before < file_row)) AS sheet
    FROM held_row JOIN (SELECT load_id, sheets FROM load) USING (load_id)
    WHERE settled_by IS NULL
) h
JOIN load l USING (load_id)
LEFT JOIN hidden_cell c ON c.load_id = h.load_id
WHERE h.load_id = $load_id OR ($load_id IS NULL AND h.load_id IN (FROM last_time))
GROUP BY p."column", p.problem, p.remedy
ORDER BY rows DESC, p."column", p.problem
