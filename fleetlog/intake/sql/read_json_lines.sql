-- Each line of the file as it stands, and once more where it is a JSON object. A blank line is empty.
CREATE TABLE json_line AS
SELECT line, CASE WHEN CASE WHEN json_valid(line) THEN json_type(line) = 'OBJECT' END THEN line END AS object
FROM read_csv(
    $path, delim = chr(2), quote = '', escape = '', header = false, auto_detect = false,
    columns = {'line': 'VARCHAR'}, new_line = $newline, max_line_size = $longest_line
)
