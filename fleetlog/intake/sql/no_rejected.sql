CREATE TABLE rejected (file_row BIGINT, cells VARCHAR[], problem VARCHAR, quote_left_open BOOLEAN)
