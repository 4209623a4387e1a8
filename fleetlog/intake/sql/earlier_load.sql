SELECT max(load_id) FROM load WHERE kind = $kind AND sha256 = $sha256 AND column_map = $column_map
HAVING count(*) > 0
