-- The number of an undone load is not given again.
SELECT coalesce(max(load_id), 0) + 1 FROM (SELECT load_id FROM load UNION ALL SELECT load_id FROM undone_load)
