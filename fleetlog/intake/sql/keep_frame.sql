CREATE TABLE raw AS SELECT * EXCLUDE (file_row) FROM body;
CREATE TABLE row_number AS
SELECT row_number() OVER (ORDER BY file_row) - 1 AS place, file_row FROM body
