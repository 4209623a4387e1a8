-- Each distinct cell of one column, with how often it stands there.
CREATE OR REPLACE TEMP TABLE propose_value AS
SELECT {column} AS written, count(*) AS rows FROM proposed WHERE {column} IS NOT NULL GROUP BY ALL
