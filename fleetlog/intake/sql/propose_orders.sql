-- Of the orders that have several rows: how many, and in which share of them a column's cells are
-- all alike, column by column.
SELECT count(*) AS orders, {alike}
FROM (SELECT {ends} FROM related WHERE {order} IS NOT NULL GROUP BY {order} HAVING count(*) > 1)
