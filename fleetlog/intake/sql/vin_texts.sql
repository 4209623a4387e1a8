SELECT DISTINCT vin AS written FROM vehicle_key WHERE vin IS NOT NULL
