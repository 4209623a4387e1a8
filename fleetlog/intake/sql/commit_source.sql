-- The rows as written, the rows held, the notes. {cells} are the columns of raw.
INSERT INTO source_row
SELECT getvariable('load_id'), r.file_row, r.cells
FROM (SELECT file_row, [{cells}] AS cells FROM staging.raw_row) r
SEMI JOIN (SELECT file_row FROM kept_row UNION ALL SELECT file_row FROM staging.held) k
    ON k.file_row = r.file_row
UNION ALL
SELECT getvariable('load_id'), file_row, cells FROM staging.rejected;

INSERT INTO held_row BY NAME
SELECT getvariable('load_id') AS load_id, file_row, problems FROM staging.held
UNION ALL BY NAME
SELECT getvariable('load_id') AS load_id, file_row, [struct_pack(
    "column" := NULL::VARCHAR, "value" := left(cells[1], 200), problem := 'the row ' || problem,
    remedy := 'correct the row in the file'
)] AS problems FROM staging.rejected;

INSERT INTO row_note
SELECT getvariable('load_id'), n.file_row, n."column", n.was, n.became, n.why
FROM staging.note n SEMI JOIN kept_row k ON k.file_row = n.file_row
