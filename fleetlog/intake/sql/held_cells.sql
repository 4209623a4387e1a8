-- The rows that are still held, with their cells as written and what is wrong with them.
SELECT h.load_id, h.file_row, s.cells, h.problems, NULL::VARCHAR AS sheet, h.file_row AS sheet_row
FROM held_row h JOIN source_row s ON s.load_id = h.load_id AND s.file_row = h.file_row
WHERE h.settled_by IS NULL AND ($load_id IS NULL OR h.load_id = $load_id)
ORDER BY h.load_id, h.file_row
