-- Some cells list several parts: each becomes a row of its own, the row's row_part counting them.
-- {pieces} takes the cells of a line apart; {longest} is the number of parts of a row, {unequal}
-- the first field whose list is of another length; {line_cells} picks the piece of a part;
-- {spoken} holds where a part has any piece; {notes} gathers cells that stand for one part only.
CREATE TABLE parted AS
SELECT *, {longest} AS parts, {unequal} AS unequal, {unequal_written} AS unequal_written
FROM (SELECT *, {pieces} FROM whole_cell);

CREATE TABLE cell AS
SELECT file_row, place, {order_cells}, {line_cells}, row_part::SMALLINT AS row_part,
       parts > 1 AS listed, unequal, unequal_written
FROM (SELECT *, unnest(range(1, parts + 1)) AS row_part FROM parted)
WHERE row_part = 1 OR {spoken};

CREATE TABLE list_note AS
SELECT file_row, n.field, n.was, parts
FROM (SELECT file_row, parts, unnest([{notes}]) AS n FROM parted WHERE parts > 1)
WHERE n.was IS NOT NULL;

DROP TABLE parted
