-- How often a column's cell changes from one row to the next that has one.
SELECT count(*) FILTER (written IS DISTINCT FROM before)
FROM (
    SELECT {column} AS written, lag({column}) OVER (ORDER BY place) AS before
    FROM proposed WHERE {column} IS NOT NULL
)
