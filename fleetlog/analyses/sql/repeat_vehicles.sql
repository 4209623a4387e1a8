-- How many vehicles share what cells of repeat failures tell vehicles apart by.
SELECT s.engine_family, v.model_year, v.depot, count(*) AS vehicles
FROM vehicle_span AS s JOIN vehicle AS v USING (vin)
GROUP BY ALL
