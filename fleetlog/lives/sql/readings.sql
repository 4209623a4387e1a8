-- Every meter reading of the touched vehicles, wherever it was written, in the order of its meter.
--
-- Odometer and engine hours are judged alike, each as a series of its own: series_no is twice the
-- vehicle's number, plus one for engine hours. What is sorted is kept thin (numbers, no text), for
-- ten million readings are sorted four times. Growth: n log n in the readings.

-- Where what is built is found by: numbers higher than those of what was built before.
SET VARIABLE built_before = (SELECT coalesce(max(built_no), 0) FROM meter_reading);

CREATE OR REPLACE TEMP TABLE numbered_vehicle AS
SELECT (row_number() OVER ())::INTEGER AS vehicle_no, vin
FROM (SELECT DISTINCT vin FROM touched_vehicle);

CREATE OR REPLACE TEMP VIEW written_reading AS
SELECT n.vehicle_no, o.vin, o.opened_on AS read_on, o.odometer, o.engine_hours,
       'repair order' AS source, o.ro_id, o.load_id, o.file_row
FROM repair_order AS o JOIN numbered_vehicle AS n USING (vin)
WHERE coalesce(o.odometer, o.engine_hours) IS NOT NULL
UNION ALL
SELECT n.vehicle_no, m.vin, m.read_on, m.odometer, m.engine_hours, m.source, NULL, m.load_id,
       m.file_row
FROM meter AS m JOIN numbered_vehicle AS n USING (vin)
UNION ALL
SELECT n.vehicle_no, v.vin, f.read_on, f.odometer, NULL, 'fleet list', NULL, v.load_id, v.file_row
FROM vehicle AS v
JOIN numbered_vehicle AS n USING (vin)
CROSS JOIN LATERAL (
    SELECT v.in_service_on AS read_on, v.in_service_odometer AS odometer
    UNION ALL
    SELECT v.observed_from_on, v.observed_from_odometer WHERE v.observed_from_on > v.in_service_on
    UNION ALL
    SELECT v.retired_on, v.retired_odometer
    WHERE v.retired_on IS NOT NULL AND v.retired_odometer IS NOT NULL
) AS f;

-- After each of these days a meter stands at another level, so another segment begins. Here those
-- that a repair line tells of: the job that swaps the cluster is booked in on the old one.
CREATE OR REPLACE TEMP TABLE cut AS
SELECT DISTINCT 2 * n.vehicle_no + meter AS series_no, o.opened_on AS cut_on,
       1.0::DOUBLE AS factor, NULL::VARCHAR AS why
FROM repair_line AS l
JOIN repair_order AS o USING (ro_id)
JOIN numbered_vehicle AS n USING (vin)
CROSS JOIN (VALUES (0), (1)) AS meters (meter)
WHERE l.component = 'electrical.instrument-cluster' AND l.action = 'replaced';

CREATE OR REPLACE TEMP VIEW stretch AS
SELECT series_no, (row_number() OVER by_day)::SMALLINT AS segment, cut_on,
       coalesce(lead(cut_on) OVER by_day, DATE '9999-12-31') AS until_on, factor, why
FROM cut
WINDOW by_day AS (PARTITION BY series_no ORDER BY cut_on);

-- A reading that stands in several records is one reading: kept once, with a mark.
CREATE OR REPLACE TEMP TABLE unvoted_reading AS
WITH thin AS (
    SELECT 2 * vehicle_no AS series_no, read_on, odometer::DOUBLE AS value,
           source = 'fleet list' AS in_fleet_list
    FROM written_reading WHERE odometer IS NOT NULL
    UNION ALL
    SELECT 2 * vehicle_no + 1, read_on, engine_hours, false
    FROM written_reading WHERE engine_hours IS NOT NULL
)
SELECT t.series_no, coalesce(s.segment, 0)::SMALLINT AS segment, t.read_on, t.value,
       t.in_fleet_list,
       coalesce(lead(value) OVER w = value AND lead(read_on) OVER w = read_on, false) AS repeated,
       ((value - lag(value) OVER w) / nullif(read_on - lag(read_on) OVER w, 0))::FLOAT AS pace
FROM thin AS t
LEFT JOIN stretch AS s
  ON s.series_no = t.series_no AND t.read_on > s.cut_on AND t.read_on <= s.until_on
WINDOW w AS (PARTITION BY t.series_no ORDER BY t.read_on, t.value, t.in_fleet_list DESC)
QUALIFY NOT coalesce(lag(value) OVER w = value AND lag(read_on) OVER w = read_on, false);

-- How far such a vehicle goes in a day: three times its own usual day, or half as much again as
-- its busy tenth of days where enough are known, and never more than the setting (a day has 24 engine hours).
CREATE OR REPLACE TEMP TABLE usual AS
WITH paces AS (
    SELECT series_no, quantile_cont(pace, [0.5, 0.9]) FILTER (pace > 0) AS pace,
           count(*) FILTER (pace > 0) AS steps,
           CASE WHEN series_no % 2 = 0 THEN getvariable('max_daily') ELSE 24.0 END AS most
    FROM unvoted_reading
    GROUP BY series_no
)
SELECT series_no, most, steps, pace[1] AS per_day,
       CASE WHEN steps >= 4 THEN least(most, greatest(3 * pace[1],
                                                        CASE WHEN steps >= 20 THEN 1.5 * pace[2]
                                                             ELSE 0 END))
            ELSE most END AS at_most
FROM paces;

-- Does the meter go from one reading to the other in that many days? Two weeks' grace: readings
-- are dated by the order, not by the minute.
CREATE OR REPLACE TEMP MACRO agrees(driven, days, at_most) AS
    coalesce(driven BETWEEN 0 AND at_most * (days + 14), false);

CREATE OR REPLACE TEMP TABLE voted (
    series_no INTEGER, segment SMALLINT, read_on DATE, value DOUBLE, in_fleet_list BOOLEAN,
    repeated BOOLEAN, behind TINYINT, behind_asked TINYINT, ahead TINYINT, ahead_asked TINYINT,
    believed BOOLEAN
);
