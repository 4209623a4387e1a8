-- Vehicles that a name stands for: see find_vehicles in choices.py. Never more than $most rows.
-- A stage asks one question of each table, so that a name that is whole costs no search for parts.
-- What stands in braces comes from closed lists, never from a user.
WITH named AS (
    SELECT vin, {vehicle_by} AS matched FROM vehicle WHERE {vehicle_test}
    UNION ALL
    SELECT DISTINCT vin, 'RO ' || ro_no || ' (' || shop || ')' FROM repair_order WHERE {order_test}
), first_named AS (
    SELECT vin, min(matched) AS matched FROM named GROUP BY vin ORDER BY vin LIMIT $most
)
SELECT v.vin, v.unit_no, v.plate, v.engine_family, v.model_year, v.depot, n.matched
FROM vehicle AS v JOIN first_named AS n USING (vin)
ORDER BY v.vin
