CREATE TEMP TABLE touched_vehicle AS
SELECT DISTINCT vin FROM loaded_meter WHERE load_id = getvariable('load_id')
