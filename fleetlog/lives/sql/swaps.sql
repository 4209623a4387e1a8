-- Instruments that were changed without a record: from some day on all readings of a meter run on
-- steadily from another level. Three readings over two weeks, at a pace like the vehicle's own,
-- make a level; fewer, or a return to the level before, are a run of bad readings. Only series in
-- which some reading disagrees with all before it and agrees with those after it are looked at.

CREATE OR REPLACE TEMP TABLE shifted_series AS
SELECT DISTINCT series_no
FROM voted
WHERE behind_asked >= 2 AND behind = 0 AND ahead >= 2;

CREATE OR REPLACE TEMP TABLE levelled_reading AS
WITH anchored AS (
    SELECT v.*, u.at_most, u.per_day,
           -- The last reading before this one that went well with those before it.
           last_value(CASE WHEN 3 * behind >= 2 * behind_asked THEN {'value': value, 'on': read_on} END
                      IGNORE NULLS) OVER (
               PARTITION BY v.series_no, segment ORDER BY read_on, value
               ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS before,
           lead(value, 1) OVER w AS value_1, lead(read_on, 1) OVER w AS on_1,
           lead(value, 2) OVER w AS value_2, lead(read_on, 2) OVER w AS on_2
    FROM voted AS v
    SEMI JOIN shifted_series AS s ON s.series_no = v.series_no
    JOIN usual AS u ON u.series_no = v.series_no
    WINDOW w AS (PARTITION BY v.series_no, segment ORDER BY read_on, value)
)
SELECT * EXCLUDE (value_1, value_2, on_1, on_2),
       -- A level begins where three in a row cannot follow on the one before.
       sum((behind_asked >= 2 AND behind = 0 AND ahead >= 2
            AND NOT agrees(value - before.value, read_on - before.on, at_most)
            AND NOT agrees(value_1 - before.value, on_1 - before.on, at_most)
            AND NOT agrees(value_2 - before.value, on_2 - before.on, at_most))::INTEGER)
           OVER (PARTITION BY series_no, segment ORDER BY read_on, value) AS level
FROM anchored;

CREATE OR REPLACE TEMP TABLE level AS
WITH ends AS (
    SELECT series_no, segment, level, any_value(at_most) AS at_most, any_value(per_day) AS per_day,
           count(*) AS readings, min(read_on) AS first_on, arg_min(value, read_on) AS first_value,
           max(read_on) FILTER (steady) AS last_on, arg_max(value, read_on) FILTER (steady) AS last_value
    FROM (SELECT *, 3 * behind >= 2 * behind_asked OR ahead >= 2 AND behind = 0 AS steady
          FROM levelled_reading)
    GROUP BY series_no, segment, level
), compared AS (
    SELECT *,
           (last_value - first_value) / nullif(last_on - first_on, 0) AS pace,
           agrees(first_value - lag(last_value, 2) OVER w, first_on - lag(last_on, 2) OVER w, at_most)
               AS returns,
           [unit_factor for unit_factor in [1 / 1.609344, 1.609344]
            if series_no % 2 = 0
               AND agrees(first_value * unit_factor - lag(last_value) OVER w,
                          first_on - lag(last_on) OVER w, at_most)] AS as_other_unit
    FROM ends
    WINDOW w AS (PARTITION BY series_no, segment ORDER BY level)
)
SELECT *,
       level > 0 AND NOT returns
       AND (readings < 3 OR last_on - first_on < 14
            OR NOT coalesce(pace BETWEEN per_day / 4 AND 4 * per_day, false)
            OR coalesce(lead(returns) OVER w, false)) AS bad_run,
       level > 0 AND NOT returns AND NOT bad_run AS new_level,
       CASE WHEN len(as_other_unit) = 1 THEN as_other_unit[1] ELSE 1.0 END AS factor
FROM compared
WINDOW w AS (PARTITION BY series_no, segment ORDER BY level);
DROP TABLE shifted_series;

INSERT INTO cut BY NAME
SELECT series_no, first_on - 1 AS cut_on, factor,
       CASE WHEN factor < 1 THEN 'from here on the meter fits only as kilometres: written as miles'
            WHEN factor > 1 THEN 'from here on the meter fits only as miles: written as kilometres'
            ELSE 'from here on the meter runs from another level: changed without a record, and what'
                 || ' was driven between is estimated' END AS why
FROM level
WHERE new_level;

-- The readings of these series are voted on anew, within their levels; runs of bad ones have no vote.
DELETE FROM voted WHERE series_no IN (SELECT series_no FROM levelled_reading);
CREATE OR REPLACE TEMP TABLE unvoted_reading AS
SELECT r.series_no, coalesce(s.segment, 0)::SMALLINT AS segment, r.read_on,
       CASE WHEN s.factor <> 1 THEN round(r.value * s.factor) ELSE r.value END AS value,
       r.in_fleet_list, r.repeated
FROM levelled_reading AS r
JOIN level AS l USING (series_no, segment, level)
LEFT JOIN stretch AS s
  ON s.series_no = r.series_no AND r.read_on > s.cut_on AND r.read_on <= s.until_on
WHERE NOT l.bad_run;
INSERT INTO voted
SELECT r.series_no, coalesce(s.segment, 0), r.read_on, r.value, r.in_fleet_list, r.repeated,
       0, 3, 0, 3, false
FROM levelled_reading AS r
JOIN level AS l USING (series_no, segment, level)
LEFT JOIN stretch AS s
  ON s.series_no = r.series_no AND r.read_on > s.cut_on AND r.read_on <= s.until_on
WHERE l.bad_run;
