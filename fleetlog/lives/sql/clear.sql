-- Forget what was built before for the vehicles that a load has touched.
DELETE FROM meter_reading WHERE vin IN (FROM touched_vehicle);
DELETE FROM vehicle_span WHERE vin IN (FROM touched_vehicle);
DELETE FROM position_event WHERE vin IN (FROM touched_vehicle);
DELETE FROM life WHERE vin IN (FROM touched_vehicle);
DELETE FROM left_out_line WHERE vin IN (FROM touched_vehicle);
DELETE FROM order_distance WHERE vin IN (FROM touched_vehicle);
DELETE FROM vehicle_pace WHERE vin IN (FROM touched_vehicle);
