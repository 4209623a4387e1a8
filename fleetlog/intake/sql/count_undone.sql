SELECT
    (SELECT count(*) FROM touched_vehicle),
    (SELECT count(*) FROM vehicle v ANTI JOIN engine_family f ON f.code = v.engine_family),
    (SELECT count(*) FROM repair_order o ANTI JOIN vehicle v ON v.vin = o.vin)
