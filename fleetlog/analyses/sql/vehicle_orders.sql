SELECT o.shop, o.ro_no, o.opened_on, o.odometer, d.distance, d.distance_estimated, o.technician,
       o.complaint, o.cause, o.correction, array_to_string(o.fault_codes, ' ') AS fault_codes,
       o.road_tested, o.codes_cleared
FROM repair_order AS o LEFT JOIN order_distance AS d USING (ro_id)
WHERE o.vin = $vin
ORDER BY o.opened_on DESC, o.ro_id DESC
