SELECT
    (SELECT count(*) FROM kept_row),
    (SELECT count(*) FROM held_row WHERE load_id = getvariable('load_id')),
    (SELECT count(*) FROM row_note WHERE load_id = getvariable('load_id'))
