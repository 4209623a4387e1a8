-- Judge every reading on what the votes say: used, corrected or set aside, each with its reason,
-- and let distance and hours run on through changed instruments.
--
-- What most readings share (plainly used) is not written down one by one: only exceptions are, and
-- the readings are joined to them at the end. Growth: n log n in the readings.

-- Believed readings that cannot both stand: one goes back behind the other, or two of one day lie
-- further apart than a day allows. The one further from the line through their neighbours goes.
CREATE OR REPLACE TEMP TABLE outdone AS
WITH near AS (
    SELECT series_no, segment, read_on, value, in_fleet_list,
           lag(value, 2) OVER w AS p2, lag(read_on, 2) OVER w AS p2_on,
           lag(value, 1) OVER w AS p1, lag(read_on, 1) OVER w AS p1_on,
           lag(in_fleet_list, 1) OVER w AS p1_in_fleet_list,
           lead(value, 1) OVER w AS n1, lead(read_on, 1) OVER w AS n1_on
    FROM voted
    WHERE believed
    WINDOW w AS (PARTITION BY series_no, segment ORDER BY read_on, value)
), pairs AS (
    SELECT n.*, u.per_day
    FROM near AS n JOIN usual AS u USING (series_no)
    WHERE value < p1 OR (read_on = p1_on AND value - p1 > least(u.most, 3 * u.at_most))
), lines AS (
    SELECT *,
           CASE WHEN n1_on > p2_on THEN (n1 - p2) / (n1_on - p2_on) ELSE per_day END AS slope,
           coalesce(p2, n1) AS fixed, coalesce(p2_on, n1_on) AS fixed_on
    FROM pairs
), told AS (
    SELECT *,
           CASE WHEN in_fleet_list THEN true
                WHEN p1_in_fleet_list THEN false
                -- Where nothing tells which is right, the later one goes.
                ELSE coalesce(abs(p1 - fixed - slope * (p1_on - fixed_on))
                              > abs(value - fixed - slope * (read_on - fixed_on)), false)
           END AS earlier_goes
    FROM lines
)
SELECT DISTINCT series_no, segment,
       CASE WHEN earlier_goes THEN p1_on ELSE read_on END AS read_on,
       CASE WHEN earlier_goes THEN p1 ELSE value END AS value,
       CASE WHEN p1_on = read_on THEN 'contradicts another reading of the same day that fits better'
            WHEN earlier_goes THEN 'higher than a later reading that fits the others better'
            ELSE 'lower than an earlier reading that fits the others better' END AS why
FROM told;

-- Readings in doubt, between the nearest on either side that are believed (p and n). A value fits
-- from low to high; it fits tightly near the straight line, or near the usual pace at an end.
CREATE OR REPLACE TEMP TABLE doubtful AS
WITH marked AS (
    SELECT v.*, o.why AS outdone_why,
           CASE WHEN believed AND o.why IS NULL THEN value END AS sure,
           CASE WHEN believed AND o.why IS NULL THEN read_on END AS sure_on
    FROM (FROM voted WHERE series_no IN (SELECT series_no FROM voted WHERE NOT believed
                                         UNION ALL SELECT series_no FROM outdone)) AS v
    LEFT JOIN outdone AS o USING (series_no, segment, read_on, value)
), between_sure AS (
    SELECT * EXCLUDE (sure, sure_on, ahead_asked, behind_asked, ahead, behind),
           ahead + behind AS votes, ahead_asked + behind_asked AS asked,
           last_value(sure IGNORE NULLS) OVER behind_it AS p,
           last_value(sure_on IGNORE NULLS) OVER behind_it AS p_on,
           first_value(sure IGNORE NULLS) OVER ahead_of_it AS n,
           first_value(sure_on IGNORE NULLS) OVER ahead_of_it AS n_on
    FROM marked
    WINDOW behind_it AS (PARTITION BY series_no, segment ORDER BY read_on, value
                         ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING),
           ahead_of_it AS (PARTITION BY series_no, segment ORDER BY read_on, value
                           ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING)
    QUALIFY sure IS NULL
), limited AS (
    SELECT b.*, u.at_most, u.steps,
           coalesce(p, n - at_most * (n_on - read_on + 14)) AS low,
           coalesce(n, p + at_most * (read_on - p_on + 14)) AS high,
           CASE WHEN p IS NULL THEN n - per_day * (n_on - read_on)
                WHEN n IS NULL THEN p + per_day * (read_on - p_on)
                ELSE p + (n - p) * coalesce((read_on - p_on) / nullif(n_on - p_on, 0), 0) END AS line,
           CASE WHEN p IS NULL THEN per_day * ((n_on - read_on) / 2 + 7)
                WHEN n IS NULL THEN per_day * ((read_on - p_on) / 2 + 7)
                ELSE (n - p) / 3 END AS tolerance
    FROM between_sure AS b JOIN usual AS u USING (series_no)
)
SELECT *,
       CASE WHEN steps >= 4 THEN greatest(low, line - tolerance) END AS tight_low,
       CASE WHEN steps >= 4 THEN least(high, line + tolerance) END AS tight_high,
       outdone_why IS NULL AND value BETWEEN low AND high
       AND ((p IS NOT NULL AND n IS NOT NULL) OR 2 * votes > asked) AS fits
FROM limited;

-- One slip of a digit: lost, doubled, put in at the end (tenths), or changed round with its neighbour, at the place
-- of 10 ** place. The lost digit's value is whatever brings the number into the tight range.
CREATE OR REPLACE TEMP TABLE digit_repair AS
WITH asked AS (
    SELECT series_no, segment, read_on, value, value::BIGINT AS digits, tight_low, tight_high,
           place, pow(10, place)::BIGINT AS unit
    FROM doubtful CROSS JOIN (SELECT unnest(range(0, 8)) AS place)
    WHERE series_no % 2 = 0 AND NOT fits AND NOT in_fleet_list AND tight_low IS NOT NULL
      AND coalesce(outdone_why NOT LIKE 'contradicts%', true)
      AND pow(10, place) <= 10 * value
), lost AS (
    SELECT *, (digits // unit) * unit * 10 + digits % unit AS without FROM asked
), offered AS (
    SELECT series_no, segment, read_on, value, tight_low, tight_high, 'a digit was lost' AS slip,
           -- Which last digit was lost hardly matters: the middle one is taken.
           unnest(CASE WHEN unit = 1 THEN [without + 5]
                       ELSE range(greatest(0, ceil((tight_low - without) / unit))::BIGINT,
                                  least(9, floor((tight_high - without) / unit))::BIGINT + 1)
                       END.list_transform(lambda found:
                           CASE WHEN unit = 1 THEN found ELSE without + found * unit END)) AS repaired
    FROM lost
    UNION ALL
    SELECT series_no, segment, read_on, value, tight_low, tight_high, 
           CASE WHEN unit = 1 THEN 'a digit too many at the end' ELSE 'a digit doubled' END,
           (digits // (10 * unit)) * unit + digits % unit
    FROM asked
    WHERE digits >= 10 * unit AND (unit = 1 OR digits // unit % 10 = digits // (10 * unit) % 10)
    UNION ALL
    SELECT series_no, segment, read_on, value, tight_low, tight_high,
           'two neighbouring digits were changed round',
           digits + 9 * unit * (digits // unit % 10 - digits // (10 * unit) % 10)
    FROM asked WHERE digits >= 10 * unit
)
-- Ways that come to the same within ten units are one: the middle of them is taken.
SELECT series_no, segment, read_on, value,
       CASE WHEN max(repaired) - min(repaired) <= 10 THEN 1 ELSE count(DISTINCT repaired) END AS ways,
       round((max(repaired) + min(repaired)) / 2) AS repaired, min(slip) AS slip
FROM offered
WHERE repaired BETWEEN tight_low AND tight_high AND repaired <> value
GROUP BY series_no, segment, read_on, value;

-- Odometer and engine hours of one row in each other's column: each fits the other's neighbours.
CREATE OR REPLACE TEMP TABLE changed_columns AS
SELECT DISTINCT ON (o.series_no, w.read_on, w.odometer)
       o.series_no, o.segment AS odometer_segment, h.segment AS hours_segment, w.read_on,
       w.odometer::DOUBLE AS odometer, w.engine_hours
FROM written_reading AS w
JOIN (FROM doubtful WHERE series_no % 2 = 0) AS o
  ON o.series_no = 2 * w.vehicle_no AND o.read_on = w.read_on AND o.value = w.odometer
JOIN (FROM doubtful WHERE series_no % 2 = 1) AS h
  ON h.series_no = 2 * w.vehicle_no + 1 AND h.read_on = w.read_on AND h.value = w.engine_hours
WHERE NOT o.fits AND NOT h.fits
  AND w.engine_hours BETWEEN o.low AND o.high AND w.odometer BETWEEN h.low AND h.high;

CREATE OR REPLACE TEMP TABLE judged AS
WITH weighed AS (
    SELECT d.*, r.ways, r.repaired, r.slip, coalesce(o.engine_hours, h.odometer) AS other_column,
           [f for f in [1 / 1.609344, 1.609344]
            if d.series_no % 2 = 0 AND asked >= 2 AND NOT in_fleet_list
               AND value * f BETWEEN low AND high] AS unit_factors,
           d.series_no % 2 = 0 AND value < getvariable('trip_meter')
           AND coalesce(p, n) >= 10 * value AS on_trip_meter
    FROM doubtful AS d
    LEFT JOIN digit_repair AS r USING (series_no, segment, read_on, value)
    LEFT JOIN changed_columns AS o
      ON o.series_no = d.series_no AND o.read_on = d.read_on AND o.odometer = d.value
    LEFT JOIN changed_columns AS h
      ON h.series_no + 1 = d.series_no AND h.read_on = d.read_on AND h.engine_hours = d.value
), decided AS (
    SELECT *,
           CASE WHEN fits THEN 'fits'
                WHEN in_fleet_list THEN 'set aside'
                WHEN other_column IS NOT NULL THEN 'other column'
                WHEN on_trip_meter THEN 'trip meter'
                WHEN len(unit_factors) = 1 THEN 'other unit'
                WHEN ways = 1 THEN 'digit'
                ELSE 'set aside' END AS way
    FROM weighed
)
SELECT series_no, segment, read_on, value, in_fleet_list,
       CASE way WHEN 'fits' THEN value
                WHEN 'other column' THEN other_column
                WHEN 'other unit' THEN round(value * unit_factors[1])
                WHEN 'digit' THEN repaired END::DOUBLE AS judged_value,
       CASE way WHEN 'fits' THEN 'used'
                WHEN 'other column' THEN 'corrected'
                WHEN 'other unit' THEN 'corrected'
                WHEN 'digit' THEN 'corrected'
                ELSE 'set aside' END AS verdict,
       CASE
           WHEN way = 'fits' THEN NULL
           WHEN way = 'other column' THEN 'odometer and engine hours stand in each other''s column'
           WHEN way = 'trip meter' THEN 'a small number amid a high odometer: from a trip meter'
           WHEN way = 'other unit' AND unit_factors[1] < 1
               THEN 'fits only as kilometres: written as miles'
           WHEN way = 'other unit' THEN 'fits only as miles: written as kilometres'
           WHEN way = 'digit' THEN 'fits only so: ' || slip
           WHEN outdone_why IS NOT NULL THEN outdone_why
           WHEN value BETWEEN low AND high OR asked < 3 AND votes > 0
               THEN 'contradicts another reading, and too few tell which is right'
           WHEN value < low THEN 'goes back'
           ELSE 'further from its neighbours than the vehicle can drive' END
       || CASE WHEN way = 'set aside' AND ways > 1
               THEN '; more than one slip of a digit would explain it' ELSE '' END AS why
FROM decided;
DROP TABLE digit_repair;
DROP TABLE changed_columns;
DROP TABLE outdone;

CREATE OR REPLACE TEMP TABLE believed_reading AS
WITH candidate AS (
    SELECT v.series_no, v.segment, v.read_on, v.value, v.value AS judged_value
    FROM voted AS v
    ANTI JOIN doubtful AS d USING (series_no, segment, read_on, value)
    UNION ALL
    SELECT series_no, segment, read_on, value, judged_value FROM judged
    WHERE judged_value IS NOT NULL
)
SELECT *,
       coalesce(judged_value < max(judged_value) OVER (
           PARTITION BY series_no, segment ORDER BY read_on, judged_value
           ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), false) AS too_low,
       coalesce(lead(read_on) OVER w <> read_on, true) AS last_of_day
FROM candidate
WINDOW w AS (PARTITION BY series_no, segment ORDER BY read_on, judged_value);
DROP TABLE doubtful;

-- How far a segment's readings are to be moved, so that the meter runs on.
CREATE OR REPLACE TEMP TABLE moved AS
WITH segment_ends AS (
    SELECT series_no, segment,
           min_by(judged_value, read_on) AS first_value, min(read_on) AS first_on,
           max(judged_value) AS last_value, max(read_on) AS last_on
    FROM believed_reading SEMI JOIN cut USING (series_no)
    WHERE NOT too_low
    GROUP BY series_no, segment
), following AS (
    SELECT e.*, u.most, u.per_day, s.why, s.factor,
           lag(last_value) OVER w AS last_before, lag(last_on) OVER w AS last_on_before
    FROM segment_ends AS e
    JOIN usual AS u USING (series_no)
    LEFT JOIN stretch AS s USING (series_no, segment)
    WINDOW w AS (PARTITION BY series_no ORDER BY segment)
), steps AS (
    SELECT *,
           CASE
               WHEN last_before IS NULL THEN 0
               -- It shows the same distance in the other unit.
               WHEN factor <> 1 THEN 0
               -- Nobody wrote down the change: at the usual pace since the last reading, and no
               -- less than a meter that began at nought shows.
               WHEN why IS NOT NULL
                   THEN last_before - first_value + greatest(
                       round(per_day * (first_on - last_on_before)),
                       CASE WHEN first_value <= most * (first_on - last_on_before + 1)
                            THEN first_value ELSE 0 END)
               -- The new cluster was set to what the old one showed.
               WHEN first_value >= last_before THEN 0
               -- It began at nought ...
               WHEN first_value <= most * (first_on - last_on_before + 1) THEN last_before
               -- ... or it came from elsewhere: what was driven in between is not known.
               ELSE last_before - first_value
           END AS step
    FROM following
)
SELECT series_no, segment, first_on, first_value, why,
       sum(step) OVER (PARTITION BY series_no ORDER BY segment) AS by_distance
FROM steps;

-- All that is to be said of single readings, by what was written.
CREATE OR REPLACE TEMP TABLE exception AS
WITH noted AS (
    SELECT series_no, segment, read_on, value, judged_value, verdict, why FROM judged
    UNION ALL
    -- A series of one or two readings cannot be checked.
    SELECT series_no, segment, read_on, value, value, 'used',
           CASE WHEN repeated THEN 'the same in more than one record: counted once'
                WHEN behind_asked + ahead_asked = 0 THEN 'the only reading: nothing to check it against'
                ELSE 'only one other reading to check it against' END
    FROM voted ANTI JOIN judged USING (series_no, segment, read_on, value)
    WHERE repeated OR (behind_asked + ahead_asked < 2 AND NOT in_fleet_list)
    UNION ALL
    SELECT series_no, segment, first_on, first_value, first_value, 'used', why
    FROM moved ANTI JOIN judged ON judged.series_no = moved.series_no
        AND judged.read_on = first_on AND judged.value = first_value
    WHERE why IS NOT NULL
), one_each AS (
    SELECT DISTINCT ON (series_no, segment, read_on, value) *
    FROM noted ORDER BY series_no, segment, read_on, value, why LIKE 'from here on%' DESC
)
SELECT series_no, segment, read_on,
       CASE WHEN s.factor <> 1 THEN round(value / s.factor) ELSE value END AS written,
       CASE WHEN b.too_low IS NULL THEN o.judged_value END AS judged_value,
       CASE WHEN b.too_low THEN 'set aside' ELSE verdict END AS verdict,
       CASE WHEN b.too_low THEN 'lower than an earlier reading that is believed' ELSE o.why END AS why
FROM (FROM one_each
      UNION ALL BY NAME
      SELECT series_no, segment, read_on, value, NULL AS judged_value, 'set aside' AS verdict,
             NULL AS why
      FROM believed_reading ANTI JOIN one_each USING (series_no, segment, read_on, value)
      WHERE too_low) AS o
LEFT JOIN (FROM believed_reading WHERE too_low) AS b USING (series_no, segment, read_on, value)
LEFT JOIN stretch AS s USING (series_no, segment);
DROP TABLE judged;
DROP TABLE voted;

-- One believed distance a day and vehicle; the latest of a day holds.
CREATE OR REPLACE TEMP TABLE anchor AS
SELECT b.series_no // 2 AS vehicle_no, b.read_on,
       (b.judged_value + coalesce(m.by_distance, 0))::INTEGER AS distance
FROM believed_reading AS b LEFT JOIN moved AS m USING (series_no, segment)
WHERE b.series_no % 2 = 0 AND b.last_of_day AND NOT b.too_low;
DROP TABLE believed_reading;

-- An odometer or hour meter that no exception names is used as it is, in the unit of its segment.
CREATE OR REPLACE TEMP MACRO verdict_on(is_written, exception_verdict, factor) AS
    CASE WHEN NOT is_written THEN NULL
         WHEN exception_verdict = 'set aside' THEN 'set aside'
         WHEN coalesce(factor, 1) <> 1 THEN 'corrected'
         ELSE coalesce(exception_verdict, 'used') END;
CREATE OR REPLACE TEMP VIEW placed_stretch AS
SELECT s.*, m.by_distance FROM stretch AS s LEFT JOIN moved AS m USING (series_no, segment);

INSERT INTO meter_reading BY NAME
SELECT getvariable('built_before') + w.vehicle_no AS built_no, w.vin, w.read_on, w.odometer, w.engine_hours, w.source, w.ro_id, w.load_id, w.file_row,
       coalesce(s.segment, hs.segment, 0) AS segment,
       verdict_on(w.engine_hours IS NOT NULL, h.verdict, hs.factor) AS hours_verdict,
       h.why AS hours_why,
       CASE WHEN h.verdict IS NULL THEN w.engine_hours ELSE h.judged_value END
           + coalesce(hs.by_distance, 0) AS hours,
       coalesce(verdict_on(w.odometer IS NOT NULL, e.verdict, s.factor), hours_verdict) AS verdict,
       CASE WHEN w.odometer IS NOT NULL
            THEN coalesce(e.why, CASE WHEN s.factor <> 1 THEN s.why END) END AS why,
       CASE WHEN w.odometer IS NOT NULL THEN
           (CASE WHEN e.verdict IS NULL THEN round(w.odometer * coalesce(s.factor, 1))
                 ELSE e.judged_value END + coalesce(s.by_distance, 0))::INTEGER END AS distance
FROM written_reading AS w
LEFT JOIN (FROM exception WHERE series_no % 2 = 0) AS e
  ON e.series_no = 2 * w.vehicle_no AND e.read_on = w.read_on AND e.written = w.odometer
LEFT JOIN placed_stretch AS s
  ON s.series_no = 2 * w.vehicle_no AND w.read_on > s.cut_on AND w.read_on <= s.until_on
LEFT JOIN (FROM exception WHERE series_no % 2 = 1) AS h
  ON h.series_no = 2 * w.vehicle_no + 1 AND h.read_on = w.read_on AND h.written = w.engine_hours
LEFT JOIN placed_stretch AS hs
  ON hs.series_no = 2 * w.vehicle_no + 1 AND w.read_on > hs.cut_on AND w.read_on <= hs.until_on;
DROP VIEW placed_stretch;
DROP VIEW stretch;
DROP VIEW written_reading;
DROP TABLE exception;
DROP TABLE moved;
DROP TABLE cut;
DROP TABLE usual;
