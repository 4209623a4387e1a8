-- The keys of the objects within the lists at a pointer, in order of appearance; none where
-- something else than objects stands in them.
WITH item AS (
    SELECT row_no, nth, item
    FROM (
        SELECT row_no, unnest(items) AS item, generate_subscripts(items, 1) AS nth
        FROM (
            SELECT rowid AS row_no, json_extract(object, $pointer)::JSON[] AS items FROM json_line
            WHERE json_type(object, $pointer) = 'ARRAY'
        )
    )
), inner_key AS (
    SELECT row_no, nth, unnest(json_keys(CASE WHEN json_type(item) = 'OBJECT' THEN item END)) AS key
    FROM item
)
SELECT key FROM inner_key
WHERE NOT EXISTS (FROM item WHERE json_type(item) NOT IN ('OBJECT', 'NULL'))
GROUP BY key ORDER BY min(row_no), min(nth), key
