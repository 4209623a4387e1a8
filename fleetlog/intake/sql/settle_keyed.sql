-- Rows that are held, and rows that say again what an earlier row of the file has said.
-- {key} and {columns} are lists of our own column names.
CREATE TABLE held AS
SELECT file_row, list_concat(coalesce(field_problems, []), coalesce(cross_problems, [])) AS problems
FROM checked WHERE faults <> 0 OR crosses <> 0;

CREATE TABLE keyed AS
SELECT file_row, {first_key}::VARCHAR AS key_value, hash({columns}) AS content, first(file_row) OVER same_key AS first_row,
       first(hash({columns})) OVER same_key AS first_content
FROM checked WHERE faults = 0 AND crosses = 0
WINDOW same_key AS (PARTITION BY {key} ORDER BY file_row);

CREATE TABLE repeated AS
SELECT file_row FROM keyed WHERE file_row > first_row AND content = first_content;

INSERT INTO held
SELECT file_row, [trouble('{first_key}', key_value, 'has the same key as row ' || first_row || ' but says otherwise', 'keep one of the two rows')]
FROM keyed WHERE content <> first_content;
