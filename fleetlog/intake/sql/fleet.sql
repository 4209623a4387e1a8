SELECT vin, unit_no, plate, engine_family FROM vehicle
