-- The file's readings against the nearest earlier one of the store, within 60 days: how many, and
-- their middle ratio.
WITH read AS (
    SELECT upper({vehicle}) AS name, d.day AS day, number_of({odometer}) AS odometer
    FROM related r JOIN date_value d ON d.written = r.{day}
    WHERE d.day IS NOT NULL AND number_of({odometer}) > 1000
)
SELECT count(*), median(r.odometer / s.odometer)
FROM read r
ASOF JOIN store_reading s ON s.name = r.name AND s.day <= r.day
WHERE r.day - s.day <= 60
