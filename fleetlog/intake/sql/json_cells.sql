-- The values of the columns as text. A list becomes one cell; what a member lacks keeps its place.
CREATE OR REPLACE MACRO joined(object, nth) AS array_to_string(list_transform(
    CASE WHEN json_type(object, getvariable('lists')[nth]) = 'ARRAY'
         THEN json_extract(object, getvariable('lists')[nth])::JSON[] END,
    lambda item: coalesce(json_extract_string(item, getvariable('withins')[nth]), '')
), getvariable('unit_separator'));

CREATE TABLE row_number AS
SELECT row_number() OVER (ORDER BY rowid) - 1 AS place, rowid + 1 AS file_row
FROM json_line WHERE object IS NOT NULL;

CREATE TABLE raw AS
SELECT {cells}
FROM (SELECT rowid AS row_no, object, json_extract_string(object, getvariable('pointers')) AS plain
      FROM json_line WHERE object IS NOT NULL)
ORDER BY row_no;

CREATE TABLE rejected AS
SELECT rowid + 1 AS file_row, [left(line, 10000)] AS cells,
       CASE WHEN json_valid(line) THEN 'is JSON, but no object' ELSE 'is not JSON' END AS problem
FROM json_line
WHERE object IS NULL AND trim(line) <> '';

DROP TABLE json_line
