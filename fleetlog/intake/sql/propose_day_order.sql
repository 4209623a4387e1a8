-- Rows with both dates, the share in which the first is not after the other, and before it.
SELECT count(*), avg((a.day <= b.day)::INTEGER), avg((a.day < b.day)::INTEGER)
FROM related r
JOIN date_value a ON a.written = r.{one} AND a.day IS NOT NULL
JOIN date_value b ON b.written = r.{other} AND b.day IS NOT NULL
