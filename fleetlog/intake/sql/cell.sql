-- The cells of the fields, trimmed, under the names of the fields; empty where a file has no such
-- column.
CREATE VIEW whole_cell AS SELECT {file_row} AS file_row, raw.rowid AS place, {cells} FROM {source}
