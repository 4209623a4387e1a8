-- Compare with the rows that stand in the store and keep what is new or different.
-- {table}, {key} and {columns} are lists of our own names.
CREATE TEMP TABLE kept_row AS
SELECT f.file_row, s.load_id IS NOT NULL AS changes
FROM staging.fresh f
LEFT JOIN (FROM loaded_{table} WHERE superseded_by IS NULL) s ON {same_key}
WHERE s.load_id IS NULL OR {differs};

INSERT INTO loaded_{table} BY NAME
SELECT getvariable('load_id') AS load_id, f.file_row, {columns}
FROM staging.fresh f SEMI JOIN kept_row k ON k.file_row = f.file_row;

UPDATE loaded_{table} AS s SET superseded_by = getvariable('load_id')
FROM loaded_{table} f
WHERE f.load_id = getvariable('load_id') AND {same_key}
  AND s.superseded_by IS NULL AND s.load_id <> getvariable('load_id')
