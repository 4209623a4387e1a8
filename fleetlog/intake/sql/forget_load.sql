DELETE FROM source_row WHERE load_id = getvariable('load_id');
DELETE FROM held_row WHERE load_id = getvariable('load_id');
DELETE FROM row_note WHERE load_id = getvariable('load_id');
DELETE FROM name_mark WHERE load_id = getvariable('load_id');
DELETE FROM name_page WHERE load_id = getvariable('load_id');
DELETE FROM correction WHERE load_id = getvariable('load_id');
-- What the load had corrected is held as before.
UPDATE held_row SET settled_by = NULL WHERE settled_by = getvariable('load_id');
DELETE FROM load WHERE load_id = getvariable('load_id')
