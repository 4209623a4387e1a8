SELECT kind, file_name, sha256, rows_kept FROM load WHERE load_id = $load_id
