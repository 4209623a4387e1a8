-- Rows that wait still, by file and what is wrong with the first of their cells.
WITH last_time AS (SELECT max(load_id) AS load_id FROM load GROUP BY kind, sha256)
SELECT l.file_name, l.kind, h.problems[1]."column" AS "column", h.problems[1].problem AS problem,
       count(*) AS rows, min(h.load_id) AS load_id, list(h.file_row ORDER BY h.file_row)[1:3] AS first_rows
FROM held_row h JOIN load l USING (load_id)
WHERE h.settled_by IS NULL AND h.load_id IN (FROM last_time)
GROUP BY ALL ORDER BY rows DESC, l.file_name, problem
