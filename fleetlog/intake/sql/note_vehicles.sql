CREATE TABLE note AS
SELECT file_row, heading_of(n.field) AS "column", n.was, n.became, n.why
FROM (SELECT file_row, unnest(vehicle_notes) AS n FROM checked)
