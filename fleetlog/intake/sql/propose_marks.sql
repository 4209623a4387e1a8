-- Cells of one column that are numbers with a decimal comma, and with a decimal point.
SELECT
    count(*) FILTER (shows_comma({column})) AS commas,
    count(*) FILTER (contains({column}, '.') AND NOT coalesce(shows_comma({column}), false)) AS points
FROM proposed
WHERE regexp_full_match({column}, '[-+$€£\s]*\d[\d.,]*[\s$€£]*')
  AND NOT regexp_full_match({column}, '\d{1,2}\.\d{1,2}\.\d{2,4}')
