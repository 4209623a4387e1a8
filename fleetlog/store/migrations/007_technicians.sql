-- Whether answers show who did a job. The names stay in the records: this is what is shown of
-- them, in one place for every command, page and export.
ALTER TABLE store_info ADD COLUMN technicians_named BOOLEAN DEFAULT false;

-- The cell of each load's rows that names the technician, where names are not shown; place counts
-- from 1.
CREATE VIEW hidden_cell AS
SELECT load_id, place, headings[place] AS heading
FROM (
    SELECT load_id, headings,
           coalesce(CAST(json_extract_string(column_map, '$.places.technician') AS INTEGER) + 1,
                    nullif(list_position(headings, json_extract_string(column_map, '$.columns.technician')), 0)
           ) AS place
    FROM load
), store_info
WHERE NOT technicians_named AND place IS NOT NULL;
