INSERT INTO load BY NAME SELECT
    $load_id AS load_id, $kind AS kind, $file_name AS file_name, $sha256 AS sha256,
    $loaded_at AS loaded_at, $loaded_by AS loaded_by, $headings AS headings,
    $column_map AS column_map, $rows_read AS rows_read, $rows_kept AS rows_kept,
    $rows_held AS rows_held, $rows_identical AS rows_identical,
    $corrects AS corrects,
    $sheets::STRUCT("name" VARCHAR, rows_before BIGINT)[] AS sheets
