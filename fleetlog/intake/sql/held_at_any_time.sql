SELECT h.file_row, s.cells
FROM held_row h JOIN source_row s ON s.load_id = h.load_id AND s.file_row = h.file_row
WHERE h.load_id = $load_id
