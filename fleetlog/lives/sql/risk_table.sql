-- Lives counted by age: how many came under watch, failed by each mode, and left otherwise.
-- What stands in braces comes from closed lists, never from a user.
-- Tables of parts of a fleet add up to the table of the whole.
WITH counted AS (
    SELECT {groups} {age_at_entry} AS entry, {age_at_exit} AS exit, weight,
           CASE WHEN ended_by = 'failed' THEN failure_mode END AS failure_mode
    FROM ({lives})
    WHERE {age_at_exit} > {age_at_entry}
)
SELECT {groups} time, failure_mode,
       sum(entered)::BIGINT AS entered, sum(failed)::BIGINT AS failed, sum(removed)::BIGINT AS "left"
FROM (
    SELECT {groups} entry AS time, NULL AS failure_mode, weight AS entered, 0 AS failed, 0 AS removed
    FROM counted
    UNION ALL
    SELECT {groups} exit, failure_mode, 0,
           CASE WHEN failure_mode IS NULL THEN 0 ELSE weight END,
           CASE WHEN failure_mode IS NULL THEN weight ELSE 0 END
    FROM counted
)
GROUP BY ALL
ORDER BY ALL
