DELETE FROM source_row WHERE load_id = getvariable('load_id');
DELETE FROM held_row WHERE load_id = getvariable('load_id');
DELETE FROM row_note WHERE load_id = getvariable('load_id');
DELETE FROM load WHERE load_id = getvariable('load_id')
