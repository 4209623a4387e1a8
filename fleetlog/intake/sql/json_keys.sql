-- The keys of the objects at a pointer and the types of their values, in order of appearance.
SELECT key, list_sort(list(DISTINCT type) FILTER (type <> 'NULL')) AS types
FROM (
    SELECT row_no, key, place,
           json_type(inner_object, '/' || replace(replace(key, '~', '~0'), '/', '~1')) AS type
    FROM (
        SELECT row_no, inner_object, unnest(keys) AS key, generate_subscripts(keys, 1) AS place
        FROM (
            SELECT rowid AS row_no, json_extract(object, $pointer) AS inner_object,
                   json_keys(object, $pointer) AS keys
            FROM json_line
            WHERE json_type(object, $pointer) = 'OBJECT'
        )
    )
)
GROUP BY key
ORDER BY min(row_no), min(place), key
