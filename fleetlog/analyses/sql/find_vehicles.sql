-- Vehicles that a person may mean: the whole VIN, its end, the unit number or the plate.
-- Exact matches come first; never more than $most rows.
SELECT vin, unit_no, plate, engine_family, model_year, depot
FROM vehicle
WHERE vin = $key
   OR (length($key) BETWEEN 4 AND 16 AND ends_with(vin, $key))
   OR upper(unit_no) = $key
   OR regexp_replace(upper(plate), '[^A-Z0-9]', '', 'g') = regexp_replace($key, '[^A-Z0-9]', '', 'g')
ORDER BY vin = $key DESC, upper(unit_no) IS NOT DISTINCT FROM $key DESC, vin
LIMIT $most
