-- How far the vehicle of each order had gone, and how surely that is known.
--
-- Between two readings distance is taken along the straight line, past the last one at the
-- vehicle's recent pace, shrunk to that of its group (engine family and duty). What is driven from
-- day to day varies, and slow changes of pace (seasons, other work) add to that: the variance of the
-- distance about the line is c (A h + B h h), h = (t - a)(b - t)/(b - a). The first term alone is
-- the Brownian bridge; the second is a pace that drifts. A and B are estimated for the group by
-- moments, from readings left out one by one between near and between far neighbours; c is the
-- vehicle's own, shrunk to 1 by moments. Past the last reading, T days on, the variance is
-- c (A T + B T T), and that of the pace itself times T T. Growth: n log n in the readings.

CREATE OR REPLACE TEMP TABLE watched AS
SELECT n.vehicle_no, s.* FROM vehicle_span AS s JOIN numbered_vehicle AS n USING (vin);

INSERT INTO vehicle_pace BY NAME
WITH around AS (
    SELECT vehicle_no, read_on, distance,
           lag(read_on, 1) OVER w AS a1, lag(distance, 1) OVER w AS p1,
           lead(read_on, 1) OVER w AS b1, lead(distance, 1) OVER w AS n1,
           lag(read_on, 4) OVER w AS a4, lag(distance, 4) OVER w AS p4,
           lead(read_on, 4) OVER w AS b4, lead(distance, 4) OVER w AS n4,
           max(read_on) OVER (PARTITION BY vehicle_no) - read_on AS days_to_last
    FROM anchor
    WINDOW w AS (PARTITION BY vehicle_no ORDER BY read_on)
), residual AS (
    SELECT vehicle_no, read_on, distance, days_to_last,
           (read_on - a1) * (b1 - read_on) / (b1 - a1) AS near_h,
           distance - p1 - (n1 - p1) * (read_on - a1) / (b1 - a1) AS near_r,
           (read_on - a4) * (b4 - read_on) / (b4 - a4) AS far_h,
           distance - p4 - (n4 - p4) * (read_on - a4) / (b4 - a4) AS far_r
    FROM around
), summed AS (
    SELECT vehicle_no, count(near_h) AS near_n,
           coalesce(sum(near_r * near_r), 0) AS near_rr, coalesce(sum(near_h), 0) AS near_h,
           coalesce(sum(near_h * near_h), 0) AS near_hh,
           coalesce(sum(far_r * far_r), 0) AS far_rr, coalesce(sum(far_h), 0) AS far_h,
           coalesce(sum(far_h * far_h), 0) AS far_hh,
           max(distance) AS last_distance,
           -- The last year, or all that is known where that is less than half a year.
           max(days_to_last) FILTER (days_to_last <= 366) AS year_days,
           min(distance) FILTER (days_to_last <= 366) AS year_distance,
           max(days_to_last) AS all_days, min(distance) AS all_distance
    FROM residual
    GROUP BY vehicle_no
)
SELECT getvariable('built_before') + vehicle_no AS built_no, n.vin, near_n, near_rr, near_h, near_hh, far_rr, far_h, far_hh,
       CASE WHEN year_days >= 183 THEN year_days ELSE all_days END AS over_days,
       (last_distance - CASE WHEN year_days >= 183 THEN year_distance ELSE all_distance END)
           / nullif(CASE WHEN year_days >= 183 THEN year_days ELSE all_days END, 0) AS per_day
FROM summed JOIN numbered_vehicle AS n USING (vehicle_no)
WHERE all_days > 0;

-- Groups as the whole store knows them, not only the vehicles of this load.
CREATE OR REPLACE TEMP TABLE expected_pace AS
WITH member AS (
    SELECT v.vin, v.engine_family, v.duty, p.* EXCLUDE (vin)
    FROM vehicle_pace AS p JOIN vehicle AS v USING (vin)
), moments AS (
    SELECT engine_family, duty, sum(near_rr) AS near_rr, sum(near_h) AS near_h,
           sum(near_hh) AS near_hh, sum(far_rr) AS far_rr, sum(far_h) AS far_h,
           sum(far_hh) AS far_hh,
           avg(per_day) AS per_day, coalesce(var_samp(per_day), 0) AS pace_variance,
           avg(1 / over_days) AS per_over_days
    FROM member
    GROUP BY engine_family, duty
), spread AS (
    SELECT *,
           -- Two equations for A and B; neither can be negative.
           greatest(0, coalesce((near_h * far_rr - far_h * near_rr)
                                / nullif(near_h * far_hh - far_h * near_hh, 0), 0))
               AS solved_b,
           CASE WHEN solved_b * near_hh < near_rr THEN solved_b
                ELSE coalesce(near_rr / nullif(near_hh, 0), 0) END AS b,
           greatest(0, coalesce((near_rr - b * near_hh) / nullif(near_h, 0), 0)) AS a
    FROM moments
), own AS (
    SELECT m.vin, m.engine_family, m.duty, m.near_n,
           m.near_rr / nullif(s.a * m.near_h + s.b * m.near_hh, 0) AS ratio
    FROM member AS m
    JOIN spread AS s ON s.engine_family = m.engine_family AND s.duty IS NOT DISTINCT FROM m.duty
), weight AS (
    -- A ratio from n residuals has variance 2 / n about its own; what is more lies between vehicles.
    SELECT engine_family, duty,
           2 / greatest(0.01, coalesce(var_samp(ratio) - avg(2 / near_n), 0)) AS counts_as
    FROM own
    WHERE near_n >= 3
    GROUP BY engine_family, duty
)
SELECT w.vehicle_no, s.a AS steady_spread, s.b AS drift_spread,
       (coalesce(k.counts_as, 200) + coalesce(o.near_n * o.ratio, 0))
           / (coalesce(k.counts_as, 200) + coalesce(o.near_n, 0)) AS c,
       -- What the pace of a vehicle is known by, and what paces differ by between vehicles.
       s.a / m.over_days + s.b AS own_variance,
       greatest(0, s.pace_variance - s.a * s.per_over_days - s.b) AS group_variance,
       m.per_day AS own_pace, s.per_day AS group_pace
FROM watched AS w
JOIN vehicle AS v USING (vin)
LEFT JOIN spread AS s ON s.engine_family = v.engine_family AND s.duty IS NOT DISTINCT FROM v.duty
LEFT JOIN weight AS k ON k.engine_family = v.engine_family AND k.duty IS NOT DISTINCT FROM v.duty
LEFT JOIN member AS m ON m.vin = w.vin
LEFT JOIN own AS o ON o.vin = w.vin;

-- Orders with the distance that their vehicle had gone.
CREATE OR REPLACE TEMP TABLE dated_order AS
WITH own AS (
    SELECT o.ro_id, w.vehicle_no, o.vin, w.engine_family, o.opened_on, m.distance,
           CASE
               WHEN o.opened_on < w.in_service_on THEN 'dated before the vehicle entered service'
               WHEN w.exit_known_from = 'retirement' AND o.opened_on > w.exit_on
                   THEN 'dated after the vehicle was retired'
           END AS unusable
    FROM repair_order AS o
    JOIN watched AS w USING (vin)
    LEFT JOIN (SELECT ro_id, max(distance) AS distance FROM meter_reading WHERE ro_id IS NOT NULL
               GROUP BY ro_id) AS m USING (ro_id)
), near AS (
    SELECT o.ro_id, o.vehicle_no, o.opened_on,
           p.read_on AS a, p.distance AS distance_a, n.read_on AS b, n.distance AS distance_b
    FROM (FROM own WHERE distance IS NULL) AS o
    ASOF LEFT JOIN anchor AS p ON o.vehicle_no = p.vehicle_no AND o.opened_on >= p.read_on
    ASOF LEFT JOIN anchor AS n ON o.vehicle_no = n.vehicle_no AND o.opened_on <= n.read_on
), paced AS (
    SELECT *, opened_on - a AS days,
           CASE WHEN b > a THEN (opened_on - a) * (b - opened_on) / (b - a) ELSE 0 END AS h,
           coalesce(group_variance / nullif(group_variance + own_variance, 0), 1) AS own_weight,
           coalesce(own_weight * own_pace + (1 - own_weight) * group_pace, own_pace, group_pace)
               AS pace
    FROM near LEFT JOIN expected_pace USING (vehicle_no)
), estimated AS (
    SELECT ro_id,
           CASE
               WHEN b = a THEN distance_a
               WHEN b > a THEN distance_a + (distance_b - distance_a) * days / (b - a)
               ELSE distance_a + pace * days
           END AS distance,
           CASE WHEN a IS NULL THEN NULL
                WHEN b >= a THEN sqrt(c * (steady_spread * h + drift_spread * h * h))
                ELSE sqrt(c * (steady_spread * days + drift_spread * days * days) + own_weight * own_variance * days * days)
           END AS distance_error
    FROM paced
)
SELECT o.ro_id, o.vehicle_no, o.vin, o.engine_family, o.opened_on AS done_on,
       coalesce(o.distance, round(e.distance)::INTEGER) AS distance,
       o.distance IS NULL AS distance_estimated,
       e.distance_error,
       CASE
           WHEN o.unusable IS NOT NULL THEN o.unusable
           WHEN coalesce(o.distance, e.distance) IS NULL
               THEN 'no odometer, and none of the vehicle to estimate it from'
       END AS unusable
FROM own AS o LEFT JOIN estimated AS e USING (ro_id);

INSERT INTO order_distance BY NAME
SELECT getvariable('built_before') + vehicle_no AS built_no, ro_id, vin, done_on, distance,
       distance_estimated, distance_error
FROM dated_order;
