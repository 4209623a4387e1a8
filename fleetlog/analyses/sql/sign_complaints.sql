-- Every complaint as it was written, and on how many orders.
SELECT o.complaint, count(*) AS orders
FROM repair_order AS o JOIN vehicle_span AS s USING (vin)
WHERE o.complaint IS NOT NULL AND ($engine_family IS NULL OR s.engine_family = $engine_family)
GROUP BY o.complaint
