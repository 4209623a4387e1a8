CREATE TABLE date_text AS
SELECT DISTINCT written FROM (SELECT unnest([{dates}]) AS written FROM cell) WHERE written IS NOT NULL
