CREATE TEMP TABLE touched_vehicle (vin VARCHAR)
