-- The vehicles of the load's orders, and those that its orders were on before.
CREATE TEMP TABLE touched_vehicle AS
SELECT vin FROM loaded_repair_order WHERE load_id = getvariable('load_id')
UNION
SELECT s.vin FROM loaded_repair_order s JOIN loaded_repair_order f ON f.ro_id = s.ro_id
WHERE f.load_id = getvariable('load_id') AND s.superseded_by = getvariable('load_id')
