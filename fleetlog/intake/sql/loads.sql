SELECT load_id, kind, file_name, loaded_at, loaded_by, rows_read, rows_kept, rows_held, rows_identical
FROM load ORDER BY load_id DESC
