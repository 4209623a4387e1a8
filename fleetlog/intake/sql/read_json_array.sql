-- Each element of the array as it stands, and once more where it is an object.
CREATE TABLE json_line AS
SELECT line::VARCHAR AS line, CASE WHEN json_type(line) = 'OBJECT' THEN line::VARCHAR END AS object
FROM read_json($path, format = 'array', records = false, columns = {'line': 'JSON'})
