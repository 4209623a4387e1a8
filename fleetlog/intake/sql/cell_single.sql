-- Every row of the file tells of one thing.
CREATE VIEW cell AS SELECT *, 1::SMALLINT AS row_part, NULL::VARCHAR AS unequal FROM whole_cell;

CREATE TABLE list_note (file_row BIGINT, field VARCHAR, was VARCHAR, parts BIGINT)
