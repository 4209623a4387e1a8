-- A column against the column of vehicles: share of rows that agree with the usual vehicle of their
-- text, and with the usual text of their vehicle (a mistyped cell is no reason to part the two),
-- and share of steps that do not fall.
WITH pair AS (
    SELECT {column} AS written, {vehicle} AS vehicle, count(*) AS rows FROM related
    WHERE {column} IS NOT NULL AND {vehicle} IS NOT NULL GROUP BY ALL
),
step AS (
    SELECT
        bare_distance({column})
        - lag(bare_distance({column}))
          OVER (PARTITION BY {vehicle} ORDER BY place) AS rise
    FROM related WHERE {column} IS NOT NULL AND {vehicle} IS NOT NULL
)
SELECT
    coalesce((SELECT sum(usual) / sum(rows) FROM (
        SELECT max(rows) AS usual, sum(rows) AS rows FROM pair GROUP BY written)), 0)::DOUBLE AS one_vehicle,
    coalesce((SELECT sum(usual) / sum(rows) FROM (
        SELECT max(rows) AS usual, sum(rows) AS rows FROM pair GROUP BY vehicle)), 0)::DOUBLE AS one_text,
    coalesce((SELECT avg((rise >= 0)::INTEGER) FROM step WHERE rise IS NOT NULL), 0)::DOUBLE AS rising
