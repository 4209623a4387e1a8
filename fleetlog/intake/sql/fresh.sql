-- The rows that stand, ready to be compared with the store.
CREATE VIEW fresh AS
SELECT * FROM checked c
WHERE c.faults = 0 AND c.crosses = 0
  AND NOT EXISTS (FROM held h WHERE h.file_row = c.file_row)
  AND NOT EXISTS (FROM repeated r WHERE r.file_row = c.file_row);

CREATE VIEW raw_row AS SELECT {file_row} AS file_row, raw.* FROM {source}
