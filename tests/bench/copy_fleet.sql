-- Once more the rows of a fleet that was loaded, as later loads would have brought them: behind
-- those that are there, in their order, with numbers of loads and orders that go on. `renamed` says
-- what each vehicle of the first fleet is called in this copy. The rows as they were written
-- (source_row) keep the names of the first.
INSERT INTO load
SELECT * REPLACE (load_id + getvariable('loads') AS load_id)
FROM load WHERE load_id <= getvariable('first_loads') AND kind IN ('vehicles', 'repairs', 'meters');

INSERT INTO source_row
SELECT s.* REPLACE (s.load_id + getvariable('loads') AS load_id)
FROM source_row AS s SEMI JOIN load AS l ON l.load_id = s.load_id + getvariable('loads')
WHERE s.load_id <= getvariable('first_loads');

INSERT INTO loaded_vehicle
SELECT v.* REPLACE (v.load_id + getvariable('loads') AS load_id, r.vin AS vin, r.unit_no AS unit_no,
                    r.plate AS plate)
FROM loaded_vehicle AS v JOIN renamed AS r ON r.was = v.vin;

INSERT INTO loaded_repair_order
SELECT o.* REPLACE (o.load_id + getvariable('loads') AS load_id, o.ro_id + getvariable('orders') AS ro_id,
                    r.vin AS vin,
                    o.ro_no[1] || (o.ro_no[2:]::INTEGER + getvariable('orders')) AS ro_no)
FROM loaded_repair_order AS o JOIN renamed AS r ON r.was = o.vin;

INSERT INTO name_mark BY NAME FROM marks_of(getvariable('loads') + 1);
INSERT INTO name_page BY NAME FROM pages_of(getvariable('loads') + 1);

INSERT INTO loaded_repair_line
SELECT * REPLACE (load_id + getvariable('loads') AS load_id, ro_id + getvariable('orders') AS ro_id)
FROM loaded_repair_line WHERE load_id <= getvariable('first_loads');

INSERT INTO loaded_meter
SELECT m.* REPLACE (m.load_id + getvariable('loads') AS load_id, r.vin AS vin)
FROM loaded_meter AS m JOIN renamed AS r ON r.was = m.vin;

INSERT INTO meter_reading
SELECT m.* REPLACE (m.load_id + getvariable('loads') AS load_id, r.vin AS vin,
                    m.built_no + getvariable('built') AS built_no, m.ro_id + getvariable('orders') AS ro_id)
FROM meter_reading AS m JOIN renamed AS r ON r.was = m.vin;

INSERT INTO vehicle_span
SELECT s.* REPLACE (r.vin AS vin, s.built_no + getvariable('built') AS built_no)
FROM vehicle_span AS s JOIN renamed AS r ON r.was = s.vin;

INSERT INTO vehicle_pace
SELECT p.* REPLACE (r.vin AS vin, p.built_no + getvariable('built') AS built_no)
FROM vehicle_pace AS p JOIN renamed AS r ON r.was = p.vin;

INSERT INTO order_distance
SELECT d.* REPLACE (r.vin AS vin, d.built_no + getvariable('built') AS built_no,
                    d.ro_id + getvariable('orders') AS ro_id)
FROM order_distance AS d JOIN renamed AS r ON r.was = d.vin;

INSERT INTO order_link
SELECT k.* REPLACE (r.vin AS vin, k.first_ro + getvariable('orders') AS first_ro,
                    k.second_ro + getvariable('orders') AS second_ro)
FROM order_link AS k JOIN renamed AS r ON r.was = k.vin;

INSERT INTO position_event
SELECT e.* REPLACE (r.vin AS vin, e.ro_id + getvariable('orders') AS ro_id)
FROM position_event AS e JOIN renamed AS r ON r.was = e.vin;

INSERT INTO left_out_line
SELECT x.* REPLACE (r.vin AS vin, x.ro_id + getvariable('orders') AS ro_id)
FROM left_out_line AS x JOIN renamed AS r ON r.was = x.vin;

INSERT INTO life
SELECT l.* REPLACE (r.vin AS vin, l.fitted_ro + getvariable('orders') AS fitted_ro,
                    l.ended_ro + getvariable('orders') AS ended_ro)
FROM life AS l JOIN renamed AS r ON r.was = l.vin
