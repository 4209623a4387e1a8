-- Some cells list several parts: each becomes a row of its own, the row's row_part counting them.
-- {pieces} takes the cells of a line apart; {longest} is the number of parts of a row, {unequal}
-- the first field whose list is shorter and {unequal_written} its cell; {spoken} holds where any
-- list has a piece at a place; {line_cells} picks the pieces of a place; {notes} gathers the cells
-- that stand for one part only.
CREATE TABLE parted AS
WITH pieced AS (
    SELECT *, {pieces} FROM whole_cell
), measured AS (
    SELECT *, {longest} AS parts FROM pieced
)
SELECT *, {unequal} AS unequal, {unequal_written} AS unequal_written,
       CASE WHEN parts = 1 THEN [1]
            ELSE list_filter(range(1, parts + 1), lambda place: {spoken}) END AS places
FROM measured;

CREATE TABLE cell AS
SELECT file_row, place, {order_cells}, {line_cells}, nth::SMALLINT AS row_part,
       len(places) > 1 AS listed, unequal, unequal_written
FROM (SELECT *, unnest(places) AS part, generate_subscripts(places, 1) AS nth FROM parted);

CREATE TABLE list_note AS
SELECT file_row, n.field, n.was, len(places) AS parts
FROM (SELECT file_row, places, unnest([{notes}]) AS n FROM parted WHERE len(places) > 1)
WHERE n.was IS NOT NULL;

DROP TABLE parted
