-- The rows have come in, or are held anew under this load with what is still wrong.
UPDATE held_row SET settled_by = getvariable('load_id')
WHERE load_id = getvariable('corrects') AND settled_by IS NULL
  AND file_row IN (SELECT file_row FROM staging.raw_row);

INSERT INTO correction BY NAME
SELECT getvariable('load_id') AS load_id, getvariable('corrects') AS of_load, file_row, "column",
       was, became, $corrected_by AS corrected_by, $corrected_at AS corrected_at
FROM staging.corrected
