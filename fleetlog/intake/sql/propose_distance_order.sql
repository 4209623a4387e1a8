-- Rows with both distances, the share in which the first is not above the other, and below it.
WITH pair AS (SELECT bare_distance({one}) AS a, bare_distance({other}) AS b FROM related)
SELECT count(*), avg((a <= b)::INTEGER), avg((a < b)::INTEGER) FROM pair WHERE a IS NOT NULL AND b IS NOT NULL
