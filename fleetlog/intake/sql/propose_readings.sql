-- What the store believes of the odometers of vehicles, by the names that the file has for them.
SELECT upper(v.{named}) AS name, m.read_on AS day, m.odometer
FROM meter_reading m
JOIN vehicle v ON v.vin = m.vin
WHERE m.verdict = 'used' AND m.odometer > 1000 AND upper(v.{named}) IN (SELECT unnest($names))
