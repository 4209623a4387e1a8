-- Loads with all that tells how they were read, and the file that their rows first came from.
WITH RECURSIVE line AS (
    SELECT load_id, corrects, file_name FROM load WHERE load_id IN (SELECT unnest($numbers::INTEGER[]))
    UNION ALL
    SELECT line.load_id, load.corrects, load.file_name
    FROM line JOIN load ON load.load_id = line.corrects
)
SELECT l.load_id, l.kind, origin.file_name, l.headings, l.column_map
FROM load l
JOIN (SELECT load_id, file_name FROM line
      QUALIFY row_number() OVER (PARTITION BY load_id ORDER BY corrects NULLS FIRST) = 1) AS origin
  USING (load_id)
ORDER BY l.load_id
