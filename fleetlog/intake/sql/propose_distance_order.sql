-- Rows with both distances, the share in which the first is not above the other, and below it.
WITH pair AS (
    SELECT
        number_of(regexp_replace({one}, '(?i)\s*(mi|miles?|kms?)\.?$', '')) AS a,
        number_of(regexp_replace({other}, '(?i)\s*(mi|miles?|kms?)\.?$', '')) AS b
    FROM related
)
SELECT count(*), avg((a <= b)::INTEGER), avg((a < b)::INTEGER) FROM pair WHERE a IS NOT NULL AND b IS NOT NULL
