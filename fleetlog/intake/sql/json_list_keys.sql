-- The keys of the objects within the lists at a pointer, in order of appearance.
SELECT key FROM (
    SELECT row_no, nth, unnest(json_keys(item)) AS key
    FROM (
        SELECT row_no, unnest(items) AS item, generate_subscripts(items, 1) AS nth
        FROM (
            SELECT rowid AS row_no, json_extract(object, $pointer)::JSON[] AS items FROM json_line
            WHERE json_type(object, $pointer) = 'ARRAY'
        )
    )
    WHERE json_type(item) = 'OBJECT'
)
GROUP BY key ORDER BY min(row_no), min(nth), key
