SELECT vin FROM known_vehicle
