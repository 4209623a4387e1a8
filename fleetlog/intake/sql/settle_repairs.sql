-- Which rows form which repair order, and which rows cannot stand or stand twice. A row of the
-- file stands or falls whole, however many lines it tells of.
CREATE TABLE held AS
SELECT file_row, list_distinct(flatten(list(list_concat(coalesce(field_problems, []), coalesce(cross_problems, []))))) AS problems
FROM checked WHERE faults <> 0 OR crosses <> 0
GROUP BY file_row;

CREATE TABLE order_group AS
SELECT
    shop, ro_no, min(file_row) AS first_row, max(file_row) AS last_row,
    count(*) FILTER (row_part = 1) AS row_count, count(*) AS line_count,
    coalesce(max(line_no), 0) AS highest_number,
    min(vin) <> max(vin) AS vins_differ,
    min(opened_on) <> max(opened_on) AS days_differ,
    count(line_no) <> count(DISTINCT line_no) AS numbers_repeat
FROM checked WHERE faults = 0 AND crosses = 0
GROUP BY shop, ro_no;

INSERT INTO held
SELECT c.file_row, list_filter([
    CASE WHEN g.vins_differ THEN trouble('vin', c.vin, 'is not the only vehicle on this repair order', 'give every row of the order the same vehicle') END,
    CASE WHEN g.days_differ THEN trouble('opened_on', c.opened_on::VARCHAR, 'is not the only opening day of this repair order', 'give every row of the order the same day') END
], lambda p: p IS NOT NULL)
FROM checked c JOIN order_group g USING (shop, ro_no)
WHERE c.faults = 0 AND c.crosses = 0 AND c.row_part = 1 AND (g.vins_differ OR g.days_differ);

DELETE FROM order_group WHERE vins_differ OR days_differ;

-- Only orders that come back further down, or number two lines alike, can hold a row twice.
CREATE TABLE suspect AS
WITH told AS (
    SELECT
        c.file_row, any_value(c.place) AS place, any_value(g.first_row) AS first_row,
        any_value(c.line_no) AS line_no, any_value(c.faults = 0 AND c.crosses = 0) AS stands,
        bit_xor(hash(c.row_part, {columns})) AS content
    FROM checked c JOIN order_group g USING (shop, ro_no)
    WHERE g.numbers_repeat OR g.last_row - g.first_row + 1 > g.row_count
    GROUP BY c.file_row
),
rows_of AS (
    -- Rows that are held, and blank lines, do not part a block.
    SELECT *, place - row_number() OVER (PARTITION BY first_row ORDER BY place) AS block FROM told
),
counted AS (
    SELECT *, row_number() OVER (PARTITION BY first_row, block, content ORDER BY file_row) AS nth
    FROM rows_of WHERE stands
)
SELECT
    file_row, first_row, line_no, content,
    min(block) OVER (PARTITION BY first_row, content, nth) < block AND line_no IS NULL AS said_before,
    first(file_row) OVER same_number AS first_with_number,
    first(content) OVER same_number AS content_with_number
FROM counted
WINDOW same_number AS (PARTITION BY first_row, line_no ORDER BY file_row);

CREATE TABLE repeated AS
SELECT file_row FROM suspect
WHERE said_before OR (line_no IS NOT NULL AND file_row > first_with_number AND content = content_with_number);

INSERT INTO held
SELECT file_row, [trouble('line_no', line_no::VARCHAR, 'stands on this repair order twice, in row ' || first_with_number || ' with other content', 'give each line a number of its own')]
FROM suspect WHERE line_no IS NOT NULL AND content <> content_with_number;

DROP TABLE suspect;

-- One narrative on several undescribed rows of an order tells of one piece of work.
CREATE TABLE echo AS
SELECT file_row FROM checked
WHERE coded_from = 'text' AND faults = 0 AND crosses = 0 AND row_part = 1
QUALIFY row_number() OVER (PARTITION BY shop, ro_no, narrative ORDER BY file_row) > 1;

DELETE FROM checked WHERE row_part > 1 AND file_row IN (FROM echo);

UPDATE checked SET component = NULL, coded_from = 'nothing', coding_confidence = 0
WHERE file_row IN (FROM echo)
