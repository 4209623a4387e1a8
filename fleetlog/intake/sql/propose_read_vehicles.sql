-- Some of the vehicles with a reading in the file, by the order of their names.
SELECT DISTINCT upper({vehicle}) AS name
FROM related WHERE {vehicle} IS NOT NULL AND {day} IS NOT NULL AND {odometer} IS NOT NULL
ORDER BY name LIMIT 500
