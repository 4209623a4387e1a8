SELECT min(file_row) FROM rejected WHERE quote_left_open HAVING count(*) > 0
