CREATE TABLE note AS
SELECT file_row, heading_of('vin') AS "column", vin_written AS was, vin AS became,
       vin_note || '; the unit number or plate names this vehicle' AS why
FROM checked WHERE vin_note IS NOT NULL
UNION ALL
SELECT file_row, heading_of('vin'), NULL, vin, 'is empty; the unit number or plate names this vehicle'
FROM checked WHERE vin_written IS NULL AND vin IS NOT NULL AND map_contains(getvariable('heading'), 'vin')
