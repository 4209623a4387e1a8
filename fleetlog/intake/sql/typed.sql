-- Each field read by its type. A bit of faults stands for each field that cannot be read; only
-- then are the sentences made.
CREATE VIEW typed AS
SELECT
    file_row, place, row_part, listed, unequal, unequal_written, {values}, faults,
    CASE WHEN faults <> 0 THEN list_filter([{problems}], lambda p: p IS NOT NULL) END AS field_problems
FROM (SELECT *, {faults} AS faults FROM (SELECT cell.file_row, cell.place, cell.row_part, cell.listed, cell.unequal, cell.unequal_written, {readings} FROM cell {joins}))
