SELECT read_on, odometer, source, verdict, why, distance
FROM meter_reading
WHERE vin = $vin AND odometer IS NOT NULL
ORDER BY read_on, odometer
