SELECT vin, unit_no, plate, engine_family, in_service_on, retired_on FROM vehicle
