-- Vehicles that a typed key may mean: whole VIN, its last characters, unit number or plate.
-- Exact matches come first. Never more than $most rows.
SELECT vin, unit_no, plate, engine_family, model_year, depot
FROM vehicle
WHERE vin = upper($key) OR (length($key) >= 6 AND ends_with(vin, upper($key)))
   OR upper(unit_no) = upper($key)
   OR upper(replace(plate, ' ', '')) = upper(replace($key, ' ', ''))
ORDER BY vin = upper($key) DESC, upper(unit_no) = upper($key) DESC, vin
LIMIT $most
