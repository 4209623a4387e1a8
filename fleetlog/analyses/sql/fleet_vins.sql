SELECT vin FROM vehicle
