-- A unit number or plate finds a vehicle only where it is the only one that carries it.
CREATE TABLE known_unit AS
SELECT lower(unit_no) AS unit_no, min(vin) AS vin FROM known_vehicle
WHERE unit_no IS NOT NULL GROUP BY ALL HAVING count(*) = 1;
CREATE TABLE known_plate AS
SELECT lower(plate) AS plate, min(vin) AS vin FROM known_vehicle
WHERE plate IS NOT NULL GROUP BY ALL HAVING count(*) = 1
