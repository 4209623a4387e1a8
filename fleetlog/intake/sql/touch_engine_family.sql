CREATE TEMP TABLE touched_vehicle AS
SELECT vin FROM vehicle
WHERE engine_family IN (SELECT code FROM loaded_engine_family WHERE load_id = getvariable('load_id'))
