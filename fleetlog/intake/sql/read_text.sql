-- Every cell as text; a line that cannot be split is kept in the table of rejects.
CREATE TABLE raw AS FROM read_csv(
    $path, delim = $delimiter, quote = '"', escape = '"', header = false, skip = $header_row,
    new_line = $newline, auto_detect = false, columns = {columns}, max_line_size = $longest_line,
    store_rejects = true, rejects_table = 'reject_error', rejects_scan = 'reject_scan'
)
