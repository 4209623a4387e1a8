-- Which vehicle each way of naming one means. A unit number or plate that several vehicles carry
-- means whichever of them alone was in service on the day of the row.
CREATE TABLE name_carrier AS
WITH written AS (
    SELECT DISTINCT 'unit_no' AS field, unit_no AS written FROM vehicle_key WHERE unit_no IS NOT NULL
    UNION ALL
    SELECT DISTINCT 'plate', plate FROM vehicle_key WHERE plate IS NOT NULL
),
carried AS (
    SELECT 'unit_no' AS field, unit_no AS name, * FROM known_vehicle WHERE unit_no IS NOT NULL
    UNION ALL
    SELECT 'plate', plate, * FROM known_vehicle WHERE plate IS NOT NULL
)
SELECT
    w.field, w.written, c.vin,
    c.in_service_on AS since, coalesce(c.retired_on, 'infinity'::DATE) AS until,
    count(*) OVER (PARTITION BY w.field, w.written) AS carriers
FROM written w JOIN carried c ON c.field = w.field AND lower(c.name) = lower(w.written);

-- Each such name by spans of days; one that a single vehicle carries means it for ever.
CREATE TABLE name_found AS
WITH edge AS (
    SELECT DISTINCT field, written, unnest(['-infinity'::DATE, since, CASE WHEN isfinite(until) THEN until + 1 END]) AS day
    FROM name_carrier WHERE carriers > 1
),
span AS (
    SELECT field, written, day AS from_on, coalesce(lead(day) OVER (PARTITION BY field, written ORDER BY day) - 1, 'infinity'::DATE) AS to_on
    FROM edge WHERE day IS NOT NULL
)
SELECT field, written, carriers, vin, '-infinity'::DATE AS from_on, 'infinity'::DATE AS to_on
FROM name_carrier WHERE carriers = 1
UNION ALL
SELECT
    s.field, s.written, any_value(c.carriers),
    CASE WHEN count(*) FILTER (s.from_on BETWEEN c.since AND c.until) = 1
         THEN min(c.vin) FILTER (s.from_on BETWEEN c.since AND c.until) END,
    s.from_on, s.to_on
FROM span s JOIN name_carrier c USING (field, written)
GROUP BY s.field, s.written, s.from_on, s.to_on;

CREATE TABLE vehicle_found AS
WITH named AS (
    SELECT
        k.vin AS vin_written, k.unit_no, k.plate, v.vin AS vin_read, v.known, v.problem,
        u.vin AS unit_vin, p.vin AS plate_vin,
        u.carriers AS unit_carriers, p.carriers AS plate_carriers,
        greatest(u.from_on, p.from_on, '-infinity'::DATE) AS from_on,
        least(u.to_on, p.to_on, 'infinity'::DATE) AS to_on
    FROM vehicle_key k
    LEFT JOIN vin_text v ON v.written = k.vin
    LEFT JOIN name_found u ON u.field = 'unit_no' AND u.written = k.unit_no AND v.known IS NOT TRUE
    LEFT JOIN name_found p ON p.field = 'plate' AND p.written = k.plate AND v.known IS NOT TRUE
    WHERE coalesce(greatest(u.from_on, p.from_on) <= least(u.to_on, p.to_on), true)
),
judged AS (
    SELECT
        *,
        unit_vin <> plate_vin AS torn,
        CASE WHEN known THEN vin_read
             WHEN vin_written IS NULL OR problem IS NOT NULL THEN coalesce(unit_vin, plate_vin) END AS vin
    FROM named
)
SELECT
    vin_written, unit_no, plate, from_on, to_on, vin,
    CASE
        WHEN torn THEN trouble('unit_no', unit_no, 'is another vehicle than the plate', 'give the VIN')
        WHEN vin IS NOT NULL THEN NULL
        WHEN problem IS NOT NULL THEN trouble('vin', vin_written, problem, 'correct it, or give a unit number or plate of the fleet list')
        WHEN vin_written IS NOT NULL THEN trouble('vin', vin_written, 'is not in the fleet list', 'load the vehicle first, or correct the VIN')
        ELSE trouble('vin', coalesce(unit_no, plate), 'is empty, and no unit number or plate names one vehicle of the fleet list', 'give the VIN')
    END AS trouble,
    CASE WHEN vin IS NULL OR known OR torn THEN NULL
         WHEN problem IS NOT NULL THEN [struct_pack(field := 'vin', was := vin_written, became := vin, why := problem || '; the unit number or plate names this vehicle')]
         -- Where a file has no column for the VIN at all, the unit number is simply how it names
         -- vehicles.
         WHEN map_contains(getvariable('heading'), 'vin') THEN [struct_pack(field := 'vin', was := vin_written, became := vin, why := 'is empty; the unit number or plate names this vehicle')]
    END AS notes
FROM judged;

DROP TABLE name_carrier;
DROP TABLE name_found;
DROP TABLE vehicle_key
