SELECT read_on, odometer, source, verdict, why, distance, segment, engine_hours, hours_verdict,
       hours_why, hours
FROM meter_reading
WHERE built_no = $built_no AND vin = $vin AND (odometer IS NOT NULL OR engine_hours IS NOT NULL)
ORDER BY read_on, odometer
