-- Rows of orders alone: one row an order. {columns} are what is compared.
CREATE TABLE held AS
SELECT file_row, list_concat(coalesce(field_problems, []), coalesce(cross_problems, [])) AS problems
FROM checked WHERE faults <> 0 OR crosses <> 0;

CREATE TABLE keyed AS
SELECT file_row, shop, ro_no, hash({columns}) AS content,
       first(file_row) OVER same_key AS first_row, first(hash({columns})) OVER same_key AS first_content
FROM checked WHERE faults = 0 AND crosses = 0
WINDOW same_key AS (PARTITION BY shop, ro_no ORDER BY file_row);

CREATE TABLE repeated AS
SELECT file_row FROM keyed WHERE file_row > first_row AND content = first_content;

INSERT INTO held
SELECT file_row, [trouble('ro_no', ro_no, 'has the same number as row ' || first_row || ' but says otherwise', 'keep one of the two rows')]
FROM keyed WHERE content <> first_content;

CREATE TABLE order_group AS
SELECT shop, ro_no, file_row AS first_row, file_row AS last_row, 1 AS row_count, 0 AS line_count,
       0 AS highest_number, false AS vins_differ, false AS days_differ, false AS numbers_repeat
FROM keyed WHERE file_row = first_row;

CREATE TABLE echo (file_row BIGINT)
