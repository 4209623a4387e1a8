-- Every row of the file tells of one thing.
CREATE VIEW cell AS
SELECT *, 1::SMALLINT AS row_part, false AS listed, NULL::VARCHAR AS unequal,
       NULL::VARCHAR AS unequal_written
FROM whole_cell;

CREATE TABLE list_note (file_row BIGINT, field VARCHAR, was VARCHAR, parts BIGINT)
