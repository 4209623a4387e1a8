-- Rows whose vehicle was found otherwise than by its name as written.
SELECT file_name, how, count(DISTINCT (load_id, file_row)) AS rows
FROM (
    SELECT l.file_name, n.load_id, n.file_row,
           CASE WHEN starts_with(n.why, 'mended') THEN 'VIN mended'
                WHEN contains(n.why, 'names this vehicle') THEN 'found by unit number or plate'
                WHEN contains(n.why, 'the fleet list') THEN 'unit number or plate spelled otherwise' END AS how
    FROM row_note n JOIN load l USING (load_id)
)
WHERE how IS NOT NULL
GROUP BY ALL ORDER BY rows DESC, file_name, how
