-- Without a number: what is held still. With one: all that this load held, and what settled it.
WITH last_time AS (
    SELECT max(load_id) AS load_id FROM load GROUP BY kind, sha256
)
SELECT h.load_id, l.file_name, h.sheet."name" AS sheet,
       h.file_row - coalesce(h.sheet.rows_before, 0) AS file_row, p."column",
       CASE WHEN c.heading = p."column" THEN '(not shown)' ELSE p."value" END AS "value", p.problem, p.remedy, h.settled_by,
       array_to_string(list_transform(s.cells, lambda cell, place:
           CASE WHEN place = c.place AND len(s.cells) = len(l.headings) THEN '(not shown)' ELSE coalesce(cell, '') END
       ), ' | ') AS cells
FROM (
    SELECT load_id, file_row, settled_by, unnest(problems) AS p,
           list_last(list_filter(sheets, lambda s: s.rows_before < file_row)) AS sheet
    FROM held_row JOIN (SELECT load_id, sheets FROM load) USING (load_id)
) h
JOIN load l USING (load_id)
JOIN source_row s ON s.load_id = h.load_id AND s.file_row = h.file_row
LEFT JOIN hidden_cell c ON c.load_id = h.load_id
WHERE h.load_id = $load_id
   OR ($load_id IS NULL AND h.settled_by IS NULL AND h.load_id IN (FROM last_time))
ORDER BY h.load_id, h.file_row, p."column", p.problem
