CREATE TEMP TABLE touched_vehicle AS SELECT vin FROM vehicle
