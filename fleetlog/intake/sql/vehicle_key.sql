-- How the rows of the file name their vehicles, each way once.
CREATE TABLE vehicle_key AS SELECT DISTINCT vin, unit_no, plate FROM cell
