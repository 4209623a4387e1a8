SELECT vin, unit_no, plate, engine_family, model_year, depot FROM vehicle
WHERE vin IN (SELECT unnest($vins))
