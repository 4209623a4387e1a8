INSERT INTO undone_load BY NAME SELECT
    $load_id AS load_id, $kind AS kind, $file_name AS file_name, $sha256 AS sha256,
    $undone_at AS undone_at, $undone_by AS undone_by
