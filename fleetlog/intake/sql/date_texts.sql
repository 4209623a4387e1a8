-- The distinct texts of the date columns, taken apart. A date is three numbers, or a day and a
-- month name and a year; a time behind it is left off.
CREATE TABLE date_part AS
WITH bare AS (
    SELECT
        written,
        regexp_replace(written, '(?i)[T\s]+\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*([ap]m)?\s*(Z|[-+]\d{2}:?\d{2})?$', '') AS t
    FROM date_text
),
apart AS (
    SELECT
        written,
        regexp_extract(t, '^(\d{1,4})[-/. ](\d{1,2})[-/. ](\d{1,4})$', ['a', 'b', 'c']) AS n,
        regexp_extract(t, '(?i)^(\d{1,2})[-/. ]+([a-z]{3})[a-z]*\.?[-/., ]+(\d{4}|\d{2})$', ['day', 'month', 'year']) AS dmy,
        regexp_extract(t, '(?i)^([a-z]{3})[a-z]*\.?[-/. ]+(\d{1,2})(st|nd|rd|th)?,?[-/. ]+(\d{4})$', ['month', 'day', 'th', 'year']) AS mdy,
        CASE WHEN regexp_full_match(t, '(19|20)\d{6}') THEN t END AS compact
    FROM bare
)
SELECT
    written,
    CASE
        WHEN compact IS NOT NULL THEN 'compact'
        WHEN length(n.a) = 4 AND length(n.c) <= 2 THEN 'ymd'
        WHEN length(n.a) <= 2 AND length(n.c) IN (2, 4) THEN 'parted'
        WHEN dmy.day <> '' OR mdy.day <> '' THEN 'named'
    END AS form,
    compact,
    TRY_CAST(n.a AS INTEGER) AS a,
    TRY_CAST(n.b AS INTEGER) AS b,
    TRY_CAST(n.c AS INTEGER) AS c,
    length(n.a) <= 2 AND length(n.c) = 2 AS short_year,
    TRY_CAST(coalesce(nullif(dmy.day, ''), nullif(mdy.day, '')) AS INTEGER) AS named_day,
    nullif(list_position(
        ['jan', 'feb', 'mar', 'apr', 'may', 'jun', 'jul', 'aug', 'sep', 'oct', 'nov', 'dec'],
        lower(coalesce(nullif(dmy.month, ''), nullif(mdy.month, '')))
    ), 0) AS named_month,
    TRY_CAST(coalesce(nullif(dmy.year, ''), nullif(mdy.year, '')) AS INTEGER) AS named_year,
    length(dmy.year) = 2 AS named_short_year
FROM apart
