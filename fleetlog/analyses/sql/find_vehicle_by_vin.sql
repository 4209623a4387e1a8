-- The vehicle of a whole VIN, the commonest question by far: one column of one table is read.
SELECT vin, unit_no, plate, engine_family, model_year, depot, 'VIN' AS matched
FROM vehicle
WHERE vin = $key
LIMIT $most
