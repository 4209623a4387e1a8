SELECT c.load_id, c.of_load, l.file_name, c.file_row, c."column",
       CASE WHEN h.load_id IS NULL THEN c.was ELSE '(not shown)' END AS was,
       CASE WHEN h.load_id IS NULL THEN c.became ELSE '(not shown)' END AS became, c.corrected_by, c.corrected_at
FROM correction c LEFT JOIN load l ON l.load_id = c.of_load
LEFT JOIN hidden_cell h ON h.load_id = c.of_load AND h.heading = c."column"
ORDER BY c.corrected_at DESC, c.load_id DESC, c.file_row, c."column"
