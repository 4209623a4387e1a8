SELECT (SELECT count(*) FROM raw), (SELECT count(*) FROM rejected),
       (SELECT coalesce(bool_and(file_row = place + 1), true) FROM row_number)
