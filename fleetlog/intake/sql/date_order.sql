-- What the dates themselves tell about the order of day and month.
SELECT
    count(*) FILTER (form = 'parted' AND a > 12 AND b <= 12) AS day_first,
    count(*) FILTER (form = 'parted' AND b > 12 AND a <= 12) AS month_first,
    count(*) FILTER (form = 'parted' AND a <= 12 AND b <= 12 AND a <> b) AS either,
    min(written) FILTER (form = 'parted' AND a <= 12 AND b <= 12 AND a <> b) AS example
FROM date_part
