-- Each distinct date text with its date, or what is wrong with it. A two-digit year lies in the
-- hundred years that end with the present one.
CREATE TABLE date_value AS
WITH full_year AS (
    SELECT
        * EXCLUDE (c, named_year),
        CASE WHEN short_year THEN c + CASE WHEN 2000 + c > year(getvariable('today')) THEN 1900 ELSE 2000 END ELSE c END AS c,
        CASE WHEN named_short_year
             THEN named_year + CASE WHEN 2000 + named_year > year(getvariable('today')) THEN 1900 ELSE 2000 END
             ELSE named_year END AS named_year
    FROM date_part
),
dated AS (
    SELECT
        written,
        form,
        CASE
            WHEN form = 'compact' THEN TRY_CAST(TRY_STRPTIME(compact, '%Y%m%d') AS DATE)
            WHEN form = 'ymd' THEN TRY_CAST(format('{:04d}-{:02d}-{:02d}', a, b, c) AS DATE)
            WHEN form = 'named' THEN TRY_CAST(format('{:04d}-{:02d}-{:02d}', named_year, named_month, named_day) AS DATE)
            WHEN form = 'parted' AND getvariable('date_order') = 'dmy' THEN TRY_CAST(format('{:04d}-{:02d}-{:02d}', c, b, a) AS DATE)
            WHEN form = 'parted' AND getvariable('date_order') = 'mdy' THEN TRY_CAST(format('{:04d}-{:02d}-{:02d}', c, a, b) AS DATE)
            WHEN form = 'parted' AND getvariable('date_order') = 'each' THEN CASE
                WHEN a > 12 OR a = b THEN TRY_CAST(format('{:04d}-{:02d}-{:02d}', c, b, a) AS DATE)
                WHEN b > 12 THEN TRY_CAST(format('{:04d}-{:02d}-{:02d}', c, a, b) AS DATE)
            END
        END AS day
    FROM full_year
)
SELECT
    written,
    CASE WHEN day BETWEEN DATE '1950-01-01' AND getvariable('today') THEN day END AS day,
    CASE
        WHEN form IS NULL THEN 'is not a date that can be read'
        WHEN day IS NULL AND form = 'parted' AND getvariable('date_order') = 'each'
        THEN 'can be read as two dates, and the file writes dates both ways'
        WHEN day IS NULL AND form = 'parted'
        THEN 'is not a date in the order ' || getvariable('date_order')
        WHEN day IS NULL THEN 'is not a day of the calendar'
        WHEN day > getvariable('today') THEN 'lies in the future'
        WHEN day < DATE '1950-01-01' THEN 'lies before 1950'
    END AS problem
FROM dated
