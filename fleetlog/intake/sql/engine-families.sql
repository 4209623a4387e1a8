CREATE TABLE checked AS
WITH mapped AS (
    SELECT
        t.* EXCLUDE (cylinder_banks),
        cylinder_banks AS cylinder_banks_written,
        CASE
            WHEN cylinder_banks IS NULL AND banks <= 1 THEN list_transform(range(cylinders), lambda i: banks::SMALLINT)
            ELSE TRY_CAST(list_filter(regexp_split_to_array(trim(cylinder_banks), '[\s,;/]+'), lambda b: b <> '') AS SMALLINT[])
        END AS cylinder_banks
    FROM typed t
)
SELECT
    *,
    flag(cylinder_banks IS NULL OR list_contains(list_transform(cylinder_banks, lambda b: b IS NULL), true), 0) AS crosses,
    CASE WHEN cylinder_banks IS NULL OR list_contains(list_transform(cylinder_banks, lambda b: b IS NULL), true)
         THEN [trouble('cylinder_banks', cylinder_banks_written, 'does not give each cylinder its bank', 'write one bank for each cylinder in order, as in 1 1 2 2')]
    END AS cross_problems
FROM mapped
