-- A reading is its own key: it is there already or it is new.
CREATE TEMP TABLE kept_row AS
SELECT f.file_row, false AS changes
FROM staging.fresh f
ANTI JOIN meter s ON s.vin = f.vin AND s.read_on = f.read_on AND s.source = f.source
    AND s.odometer IS NOT DISTINCT FROM f.odometer
    AND s.engine_hours IS NOT DISTINCT FROM f.engine_hours;

INSERT INTO loaded_meter BY NAME
SELECT getvariable('load_id') AS load_id, f.file_row, {columns}
FROM staging.fresh f SEMI JOIN kept_row k ON k.file_row = f.file_row
