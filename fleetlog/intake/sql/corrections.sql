SELECT c.load_id, c.of_load, l.file_name, c.file_row, c."column", c.was, c.became, c.corrected_by, c.corrected_at
FROM correction c LEFT JOIN load l ON l.load_id = c.of_load
ORDER BY c.corrected_at DESC, c.load_id DESC, c.file_row, c."column"
