-- What one column holds, each share weighted by how often the cell stands there.
WITH part AS (
    SELECT
        written,
        rows,
        regexp_replace(written, '(?i)[T\s]+\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*([ap]m)?\s*(Z|[-+]\d{2}:?\d{2})?$', '') AS bare,
        bare_distance(written) AS number
    FROM propose_value
),
day AS (
    SELECT
        *,
        regexp_extract(bare, '^(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})$', ['a', 'b', 'c']) AS n,
        regexp_full_match(bare, '(19|20)\d{2}[-/. ]\d{1,2}[-/. ]\d{1,2}|(19|20)\d{2}(0[1-9]|1[0-2])([0-2]\d|3[01])')
        OR regexp_full_match(bare, '(?i)\d{1,2}[-/. ]+[a-z]{3,9}\.?[-/., ]+\d{2,4}|[a-z]{3,9}\.?[-/. ]+\d{1,2}(st|nd|rd|th)?,?[-/. ]+\d{4}') AS clear_date
    FROM part
),
read AS (
    SELECT *, TRY_CAST(n.a AS INTEGER) AS a, TRY_CAST(n.b AS INTEGER) AS b FROM day
)
SELECT
    coalesce(sum(rows), 0)::BIGINT AS filled,
    count(*) AS different,
    coalesce(sum(rows * length(written)) / nullif(sum(rows), 0), 0)::DOUBLE AS length,
    share_of(number IS NOT NULL, rows) AS share_number,
    share_of(number = floor(number), rows) AS share_whole,
    share_of(clear_date OR (a BETWEEN 1 AND 31 AND b BETWEEN 1 AND 31 AND (a <= 12 OR b <= 12)), rows) AS share_date,
    share_of(yes_no_of(written) IS NOT NULL, rows) AS share_yes_no,
    share_of(regexp_full_match(upper(written), '[PBCU][0-9A-F]{4}([\s,;/|]+[PBCU][0-9A-F]{4})*'), rows) AS share_fault_code,
    share_of(unit_in(written) = 'mi', rows) AS share_unit_mi,
    share_of(unit_in(written) = 'km', rows) AS share_unit_km,
    share_of(length(written) - length(replace(written, ' ', '')) >= 1, rows) AS share_words,
    share_of(regexp_matches(written, '[[:alpha:]]'), rows) AS share_letter,
    share_of(regexp_matches(written, '[A-Za-z]') AND regexp_matches(written, '\d'), rows) AS share_mixed,
    share_of(contains(written, ' '), rows) AS share_blank,
    share_of(regexp_full_match(written, '(19[5-9]|20[0-4])\d'), rows) AS share_year,
    share_of(lower(written) IN ('intake', 'inlet', 'int', 'in', 'exhaust', 'exh', 'ex', 'left', 'right', 'lh', 'rh'), rows) AS share_side,
    share_of(regexp_matches(written, '(?i)\d\s*(n\W?m|lb\W?ft|ft\W?lbs?)\b'), rows) AS share_torque,
    share_of(regexp_matches(written, '(?i)^(replaced|repaired|renewed|adjusted|cleaned|checked|inspected|fitted|changed|serviced)\b'), rows) AS share_done,
    min(number) AS least,
    median(number) AS middle,
    max(number) AS most
FROM read
