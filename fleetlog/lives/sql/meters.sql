-- Judge every odometer reading of the touched vehicles, and let distance run on through swaps of
-- the instrument cluster.
--
-- A reading is held against up to three readings on either side of it. It agrees with one of them
-- if the vehicle would have gone forward, and no further than such a vehicle can: three times its
-- own usual daily distance, and never more than max_daily. A reading that agrees with fewer than
-- two in three is tried as the other unit; if that agrees with all, it is corrected, else it is
-- set aside. Growth: n log n in the readings (one sort by vehicle and date).

CREATE OR REPLACE TEMP TABLE cluster_swap AS
SELECT DISTINCT o.vin, o.opened_on AS swapped_on
FROM repair_line AS l
JOIN repair_order AS o USING (ro_id)
JOIN touched_vehicle USING (vin)
WHERE l.component = 'electrical.instrument-cluster' AND l.action = 'replaced';

CREATE OR REPLACE TEMP TABLE raw_reading AS
WITH fused AS (
    SELECT vin, opened_on AS read_on, odometer, engine_hours, 'repair order' AS source, ro_id,
           load_id, file_row
    FROM repair_order JOIN touched_vehicle USING (vin)
    WHERE coalesce(odometer, engine_hours) IS NOT NULL
    UNION ALL
    SELECT vin, read_on, odometer, engine_hours, source, NULL, load_id, file_row
    FROM meter JOIN touched_vehicle USING (vin)
    UNION ALL
    SELECT vin, in_service_on, in_service_odometer, NULL, 'fleet list', NULL, load_id, file_row
    FROM vehicle JOIN touched_vehicle USING (vin)
    UNION ALL
    SELECT vin, observed_from_on, observed_from_odometer, NULL, 'fleet list', NULL, load_id, file_row
    FROM vehicle JOIN touched_vehicle USING (vin)
    WHERE observed_from_on > in_service_on
    UNION ALL
    SELECT vin, retired_on, retired_odometer, NULL, 'fleet list', NULL, load_id, file_row
    FROM vehicle JOIN touched_vehicle USING (vin)
    WHERE retired_on IS NOT NULL AND retired_odometer IS NOT NULL
)
SELECT f.*,
       -- The job that swaps the cluster is booked in on the old one.
       coalesce(list_count(list_filter(s.swaps, lambda swapped_on: swapped_on < f.read_on)), 0)::SMALLINT
           AS segment
FROM fused AS f
LEFT JOIN (SELECT vin, list(swapped_on) AS swaps FROM cluster_swap GROUP BY vin) AS s USING (vin);

-- Does the vehicle go from one reading to the other in that many days? Two weeks' grace: readings
-- are dated by the order, not by the minute.
CREATE OR REPLACE TEMP MACRO agrees(driven, days, at_most) AS
    coalesce((driven BETWEEN 0 AND at_most * (days + 14))::INT, 0);

-- With how many of its neighbours a reading of this value agrees.
CREATE OR REPLACE TEMP MACRO votes(value, near, at_most) AS
      agrees(value - near.o1, near.d1, at_most) + agrees(near.o4 - value, near.d4, at_most)
    + agrees(value - near.o2, near.d2, at_most) + agrees(near.o5 - value, near.d5, at_most)
    + agrees(value - near.o3, near.d3, at_most) + agrees(near.o6 - value, near.d6, at_most);

CREATE OR REPLACE TEMP TABLE judged_reading AS
WITH neighbours AS (
    SELECT *,
           {o1: lag(odometer, 1) OVER w, d1: read_on - lag(read_on, 1) OVER w,
            o2: lag(odometer, 2) OVER w, d2: read_on - lag(read_on, 2) OVER w,
            o3: lag(odometer, 3) OVER w, d3: read_on - lag(read_on, 3) OVER w,
            o4: lead(odometer, 1) OVER w, d4: lead(read_on, 1) OVER w - read_on,
            o5: lead(odometer, 2) OVER w, d5: lead(read_on, 2) OVER w - read_on,
            o6: lead(odometer, 3) OVER w, d6: lead(read_on, 3) OVER w - read_on} AS near,
           least(3, row_number() OVER w - 1)
           + least(3, count(*) OVER (PARTITION BY vin, segment) - row_number() OVER w) AS asked
    FROM raw_reading
    WHERE odometer IS NOT NULL
    WINDOW w AS (PARTITION BY vin, segment ORDER BY read_on, odometer)
), usual AS (
    SELECT vin, segment,
           median((odometer - near.o1) / near.d1) FILTER (WHERE odometer > near.o1 AND near.d1 > 0)
               AS per_day,
           count(*) FILTER (WHERE odometer > near.o1 AND near.d1 > 0) AS steps
    FROM neighbours
    GROUP BY vin, segment
), limited AS (
    SELECT n.*,
           CASE WHEN u.steps >= 4 THEN least(getvariable('max_daily'), 3 * u.per_day)
                ELSE getvariable('max_daily') END AS at_most
    FROM neighbours AS n JOIN usual AS u USING (vin, segment)
), first_verdict AS (
    SELECT *,
           CASE
               WHEN source = 'fleet list' OR 3 * votes(odometer, near, at_most) >= 2 * asked
                   THEN 1.0
               WHEN asked >= 2 AND votes(odometer / 1.609344, near, at_most) = asked
                   THEN 1 / 1.609344
               WHEN asked >= 2 AND votes(odometer * 1.609344, near, at_most) = asked
                   THEN 1.609344
           END AS factor
    FROM limited
), running AS (
    SELECT *,
           round(odometer * factor)::INTEGER AS believed,
           max(round(odometer * factor)::INTEGER) OVER (
               PARTITION BY vin, segment ORDER BY read_on, odometer
               ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS highest_before
    FROM first_verdict
)
SELECT vin, read_on, odometer, engine_hours, source, ro_id, segment, load_id, file_row,
       CASE
           WHEN believed IS NULL OR believed < highest_before THEN 'set aside'
           WHEN factor <> 1 THEN 'corrected'
           ELSE 'used'
       END AS verdict,
       CASE
           WHEN believed < highest_before THEN 'lower than an earlier reading that is believed'
           WHEN factor < 1 THEN 'fits only as kilometres: written as miles'
           WHEN factor > 1 THEN 'fits only as miles: written as kilometres'
           WHEN believed IS NULL AND coalesce(odometer < near.o1, false) THEN 'goes back'
           WHEN believed IS NULL THEN 'further from its neighbours than the vehicle can drive'
       END AS why,
       CASE WHEN believed >= coalesce(highest_before, 0) THEN believed END AS believed
FROM running;

INSERT INTO meter_reading BY NAME
WITH segment_ends AS (
    SELECT vin, segment,
           min_by(believed, read_on) AS first_reading, min(read_on) AS first_on,
           max(believed) AS last_reading, max(read_on) AS last_on
    FROM judged_reading
    WHERE believed IS NOT NULL
    GROUP BY vin, segment
), steps AS (
    SELECT vin, segment,
           CASE
               WHEN lag(last_reading) OVER w IS NULL THEN 0
               -- The new cluster was set to what the old one showed.
               WHEN first_reading >= lag(last_reading) OVER w THEN 0
               -- It began at nought ...
               WHEN first_reading <= getvariable('max_daily') * (first_on - lag(last_on) OVER w + 1)
                   THEN lag(last_reading) OVER w
               -- ... or it came from elsewhere: what was driven in between is not known.
               ELSE lag(last_reading) OVER w - first_reading
           END AS step
    FROM segment_ends
    WINDOW w AS (PARTITION BY vin ORDER BY segment)
), offsets AS (
    SELECT vin, segment, sum(step) OVER (PARTITION BY vin ORDER BY segment) AS offset_distance
    FROM steps
)
SELECT j.* EXCLUDE (believed), (j.believed + o.offset_distance)::INTEGER AS distance
FROM judged_reading AS j LEFT JOIN offsets AS o USING (vin, segment)
UNION ALL BY NAME
SELECT *, 'used' AS verdict, NULL AS why, NULL AS distance
FROM raw_reading
WHERE odometer IS NULL;

-- One believed distance a day and vehicle; the latest of a day holds.
CREATE OR REPLACE TEMP TABLE anchor AS
SELECT vin, read_on, max(distance) AS distance
FROM meter_reading JOIN touched_vehicle USING (vin)
WHERE distance IS NOT NULL
GROUP BY vin, read_on;
