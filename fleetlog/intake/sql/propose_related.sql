-- The rows on which columns are held against each other, in file order.
CREATE TABLE related AS SELECT * FROM proposed WHERE place < {rows}
