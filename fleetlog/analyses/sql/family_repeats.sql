-- How many vehicles of one family had a component fail on so many orders: one row for each count.
WITH of_vehicle AS (
    SELECT l.component, l.vin, count(DISTINCT l.ended_ro) AS orders
    FROM life AS l JOIN vehicle_span AS s USING (vin)
    WHERE s.engine_family = $engine_family AND l.ended_by = 'failed'
      AND l.component IN (SELECT unnest($components))
    GROUP BY l.component, l.vin
)
SELECT component, orders, count(*) AS vehicles,
       (SELECT count(*) FROM vehicle_span WHERE engine_family = $engine_family) AS of_vehicles
FROM of_vehicle
GROUP BY component, orders
ORDER BY component, orders
