-- Hold each reading against up to three on either side of it, within its segment. It agrees with
-- one of them if the meter would have gone forward, and no further than it can. A reading is
-- believed for now if two in three agree; one of the fleet list, unless none does.
INSERT INTO voted
WITH counted AS (
    SELECT u.series_no, u.segment, u.read_on, u.value, u.in_fleet_list, u.repeated,
           agrees(value - lag(value, 1) OVER w, read_on - lag(read_on, 1) OVER w, at_most)::TINYINT
           + agrees(value - lag(value, 2) OVER w, read_on - lag(read_on, 2) OVER w, at_most)::TINYINT
           + agrees(value - lag(value, 3) OVER w, read_on - lag(read_on, 3) OVER w, at_most)::TINYINT
               AS behind,
           least(3, row_number() OVER w - 1)::TINYINT AS behind_asked,
           agrees(lead(value, 1) OVER w - value, lead(read_on, 1) OVER w - read_on, at_most)::TINYINT
           + agrees(lead(value, 2) OVER w - value, lead(read_on, 2) OVER w - read_on, at_most)::TINYINT
           + agrees(lead(value, 3) OVER w - value, lead(read_on, 3) OVER w - read_on, at_most)::TINYINT
               AS ahead,
           ((lead(read_on, 1) OVER w IS NOT NULL)::TINYINT
            + (lead(read_on, 2) OVER w IS NOT NULL)::TINYINT
            + (lead(read_on, 3) OVER w IS NOT NULL)::TINYINT)::TINYINT AS ahead_asked
    FROM unvoted_reading AS u JOIN usual USING (series_no)
    WINDOW w AS (PARTITION BY u.series_no, u.segment ORDER BY u.read_on, u.value)
)
SELECT *,
       3 * (behind + ahead) >= 2 * (behind_asked + ahead_asked)
       OR (in_fleet_list AND (behind + ahead > 0 OR behind_asked + ahead_asked < 2))
FROM counted;
