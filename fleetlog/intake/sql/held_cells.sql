-- The rows that are still held, with their cells as written and what is wrong with them.
SELECT load_id, file_row, cells, problems, sheet."name" AS sheet,
       file_row - coalesce(sheet.rows_before, 0) AS sheet_row
FROM (
    SELECT h.load_id, h.file_row, s.cells, h.problems,
           list_last(list_filter(l.sheets, lambda s: s.rows_before < h.file_row)) AS sheet
    FROM held_row h
    JOIN load l USING (load_id)
    JOIN source_row s ON s.load_id = h.load_id AND s.file_row = h.file_row
    WHERE h.settled_by IS NULL AND ($load_id IS NULL OR h.load_id = $load_id)
)
ORDER BY load_id, file_row
