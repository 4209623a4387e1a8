-- So that one vehicle among a million is found without reading every row of the large tables.

-- Of a plate only letters and figures count.
CREATE MACRO bare_plate(plate) AS regexp_replace(upper(plate), '[^A-Z0-9]', '', 'g');
-- A line break would part a name in two.
CREATE MACRO on_one_line(name) AS replace(upper(name), chr(10), ' ');

-- What the rows of each load are called, in capitals. Marks and pages of them come and go with their
-- load; whether a row still stands is for its table to say.
CREATE VIEW row_name AS
SELECT load_id, 'VIN' AS names_of, vin AS name, file_row AS row_no FROM loaded_vehicle
UNION ALL
SELECT load_id, 'unit number', on_one_line(unit_no), file_row FROM loaded_vehicle
WHERE unit_no IS NOT NULL
UNION ALL
SELECT load_id, 'plate', bare_plate(plate), file_row FROM loaded_vehicle
WHERE bare_plate(plate) <> ''
UNION ALL
SELECT load_id, 'order', on_one_line(ro_no), ro_id FROM loaded_repair_order;

-- A whole name is looked up by a number that is made of it: numbers are read far quicker than text,
-- and sorted ones take the least room. A few names share each; the row itself tells them apart.
CREATE MACRO mark_of(name) AS (md5_number_lower(name) % 16777216)::INTEGER;
CREATE TABLE name_mark (
    load_id  INTEGER NOT NULL,
    names_of VARCHAR NOT NULL CHECK (names_of IN ('VIN', 'unit number', 'plate', 'order')),
    mark     INTEGER NOT NULL,
    row_no   BIGINT NOT NULL           -- file_row of a vehicle, ro_id of an order
);

-- A part of a name is looked for in the text of them all; names of a few rows stand in one piece,
-- for there are fewer pieces than rows.
CREATE TABLE name_page (
    load_id  INTEGER NOT NULL,
    names_of VARCHAR NOT NULL CHECK (names_of IN ('VIN', 'unit number', 'plate', 'order')),
    names    VARCHAR USING COMPRESSION UNCOMPRESSED NOT NULL   -- a line each
);

-- Marks and pages of a load and of those after it.
CREATE MACRO marks_of(first_load) AS TABLE
SELECT load_id, names_of, mark_of(name) AS mark, row_no
FROM row_name WHERE load_id >= first_load
ORDER BY load_id, mark;
CREATE MACRO pages_of(first_load) AS TABLE
SELECT load_id, names_of, string_agg(name, chr(10)) AS names
FROM row_name WHERE load_id >= first_load
GROUP BY load_id, names_of, row_no // 16;

INSERT INTO name_mark BY NAME FROM marks_of(0);
INSERT INTO name_page BY NAME FROM pages_of(0);

-- The number of a vehicle in what was built of its records: a new one with each building, higher
-- than all before. Numbers rise through a table and are quick to compare, where VINs do not and are
-- not, so most of the table is passed over.
ALTER TABLE meter_reading ADD COLUMN built_no BIGINT;
ALTER TABLE vehicle_span ADD COLUMN built_no BIGINT;
ALTER TABLE vehicle_pace ADD COLUMN built_no BIGINT;
ALTER TABLE order_distance ADD COLUMN built_no BIGINT;
CREATE TEMP TABLE built_vehicle AS
SELECT vin, row_number() OVER (ORDER BY min(rowid)) AS built_no FROM meter_reading GROUP BY vin;
UPDATE meter_reading AS d SET built_no = b.built_no FROM built_vehicle AS b WHERE b.vin = d.vin;
UPDATE vehicle_span AS d SET built_no = b.built_no FROM built_vehicle AS b WHERE b.vin = d.vin;
UPDATE vehicle_pace AS d SET built_no = b.built_no FROM built_vehicle AS b WHERE b.vin = d.vin;
UPDATE order_distance AS d SET built_no = b.built_no FROM built_vehicle AS b WHERE b.vin = d.vin;
DROP TABLE built_vehicle;
