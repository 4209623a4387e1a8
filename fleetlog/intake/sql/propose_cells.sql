-- The cells without the blanks around them, in file order.
CREATE TABLE proposed AS SELECT rowid AS place, {cells} FROM raw
