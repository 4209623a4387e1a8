-- What was read otherwise than it was written.
CREATE TABLE note AS
SELECT file_row, heading_of(n.field) AS "column", n.was, n.became, n.why
FROM (SELECT file_row, unnest(vehicle_notes) AS n FROM checked WHERE row_part = 1)
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
