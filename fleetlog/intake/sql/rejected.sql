-- One row for each line that could not be split, with its first fault.
CREATE TABLE rejected AS
SELECT
    line AS file_row,
    [left(first(csv_line ORDER BY byte_position), 10000)] AS cells,
    CASE first(error_type ORDER BY byte_position)
        WHEN 'MISSING COLUMNS' THEN 'has fewer cells than there are headings'
        WHEN 'TOO MANY COLUMNS' THEN 'has more cells than there are headings'
        WHEN 'UNQUOTED VALUE' THEN 'has text after a closing quotation mark'
        WHEN 'LINE SIZE OVER MAXIMUM' THEN 'is longer than any line of a table should be'
        ELSE 'cannot be split into cells: ' || first(error_message ORDER BY byte_position)
    END AS problem,
    bool_or(error_type = 'UNQUOTED VALUE' AND contains(csv_line, E'\n')) AS quote_left_open
FROM reject_error
GROUP BY line;
