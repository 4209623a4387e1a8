-- Take a load's rows out again. What they had superseded stands again, unless a later load has
-- superseded the same key since.
UPDATE loaded_{table} AS s SET superseded_by = f.superseded_by
FROM loaded_{table} f
WHERE s.superseded_by = getvariable('load_id') AND f.load_id = getvariable('load_id') AND {same_key};

DELETE FROM loaded_{table} WHERE load_id = getvariable('load_id')
