-- What was read otherwise than it was written. Where a file has no column for the VIN at all, the
-- unit number is simply how it names vehicles.
CREATE TABLE note AS
SELECT file_row, heading_of('vin') AS "column", vin_written AS was, vin AS became,
       vin_note || '; the unit number or plate names this vehicle' AS why
FROM checked WHERE vin_note IS NOT NULL
UNION ALL
SELECT file_row, heading_of('vin'), NULL, vin, 'is empty; the unit number or plate names this vehicle'
FROM checked WHERE vin_written IS NULL AND vin IS NOT NULL AND map_contains(getvariable('heading'), 'vin')
UNION ALL
SELECT file_row, heading_of('component'), description, NULL, fit_note
FROM checked WHERE fit_note IS NOT NULL
UNION ALL
SELECT file_row, heading_of('correction'), NULL, NULL, 'the narrative of this order was coded once, on an earlier row'
FROM checked SEMI JOIN echo USING (file_row)
UNION ALL
SELECT file_row, heading_of('road_tested'), road_tested, NULL, 'is neither yes nor no'
FROM cell WHERE road_tested IS NOT NULL AND yes_no_of(road_tested) IS NULL
UNION ALL
SELECT file_row, heading_of('codes_cleared'), codes_cleared, NULL, 'is neither yes nor no'
FROM cell WHERE codes_cleared IS NOT NULL AND yes_no_of(codes_cleared) IS NULL
UNION ALL
SELECT file_row, heading_of(field), was, was, 'stands for the first of ' || parts || ' parts: it cannot be told which it belongs to'
FROM list_note
