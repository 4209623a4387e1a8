-- Share of rows whose cell is their number within the order.
SELECT avg((number_of(written) = nth)::INTEGER)
FROM (
    SELECT {column} AS written, row_number() OVER (PARTITION BY {order} ORDER BY place) AS nth
    FROM related WHERE {order} IS NOT NULL
)
