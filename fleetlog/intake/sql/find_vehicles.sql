-- Which vehicle each way of naming one means.

-- A unit number or plate as it is written in the fleet list, else without regard to blanks and
-- other marks; a unit number then also without leading zeros, and numerals alone for the one unit
-- number that has them. The first of these forms that any vehicle carries counts.
CREATE MACRO bare_name(t) AS regexp_replace(lower(t), '[^\p{L}\p{N}]', '', 'g');
CREATE MACRO without_zeros(t) AS regexp_replace(bare_name(t), '(^|\D)0+(\d)', '\1\2', 'g');
CREATE MACRO numerals_of(t) AS nullif(ltrim(regexp_replace(bare_name(t), '\D', '', 'g'), '0'), '');

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
),
exactly AS (
    SELECT w.field, w.written, 1 AS form, c.*
    FROM written w JOIN carried c ON c.field = w.field AND lower(c.name) = lower(w.written)
),
left_over AS (SELECT * FROM written ANTI JOIN exactly USING (field, written)),
loosely AS (
    SELECT w.field, w.written, 2 AS form, c.*
    FROM left_over w JOIN carried c ON c.field = w.field AND nullif(bare_name(c.name), '') = bare_name(w.written)
    UNION ALL
    SELECT w.field, w.written, 3, c.*
    FROM (FROM left_over WHERE field = 'unit_no') w
    JOIN (FROM carried WHERE field = 'unit_no') c ON nullif(without_zeros(c.name), '') = without_zeros(w.written)
    UNION ALL
    SELECT w.field, w.written, 4, c.*
    FROM (FROM left_over WHERE field = 'unit_no' AND regexp_full_match(written, '\d+')) w
    JOIN (FROM carried WHERE field = 'unit_no') c ON numerals_of(c.name) = numerals_of(w.written)
),
first_form AS (
    FROM exactly
    UNION ALL
    (FROM loosely QUALIFY form = min(form) OVER (PARTITION BY field, written))
)
SELECT
    field, written, form, name, vin,
    in_service_on AS since, coalesce(retired_on, 'infinity'::DATE) AS until,
    count(*) OVER (PARTITION BY field, written) AS carriers
FROM first_form;

-- A name that several vehicles carry means whichever of them alone was in service that day. One
-- that more than twenty carry ("none", "spare") is no name, and is not followed through time.
CREATE TABLE name_found AS
WITH edge AS (
    SELECT DISTINCT field, written, unnest(['-infinity'::DATE, since, CASE WHEN isfinite(until) THEN until + 1 END]) AS day
    FROM name_carrier WHERE carriers BETWEEN 2 AND 20
),
span AS (
    SELECT field, written, day AS from_on, coalesce(lead(day) OVER (PARTITION BY field, written ORDER BY day) - 1, 'infinity'::DATE) AS to_on
    FROM edge WHERE day IS NOT NULL
)
SELECT field, written, form, name, carriers, vin, '-infinity'::DATE AS from_on, 'infinity'::DATE AS to_on
FROM name_carrier WHERE carriers = 1
UNION ALL
SELECT DISTINCT field, written, form, NULL, carriers, NULL, '-infinity'::DATE, 'infinity'::DATE
FROM name_carrier WHERE carriers > 20
UNION ALL
SELECT
    s.field, s.written, any_value(c.form),
    min(c.name) FILTER (s.from_on BETWEEN c.since AND c.until), any_value(c.carriers),
    CASE WHEN count(*) FILTER (s.from_on BETWEEN c.since AND c.until) = 1
         THEN min(c.vin) FILTER (s.from_on BETWEEN c.since AND c.until) END,
    s.from_on, s.to_on
FROM span s JOIN name_carrier c USING (field, written)
GROUP BY s.field, s.written, s.from_on, s.to_on;

-- A VIN that stands in the fleet list is taken as it is. Any other must agree with the unit number
-- and plate beside it, and by itself counts only if it is mended with certainty.
CREATE TABLE vehicle_found AS
WITH named AS (
    SELECT
        k.vin AS vin_written, k.unit_no, k.plate,
        v.known, v.problem, v.vin AS vin_read, v.best, v.what, v.certainty, v.near,
        u.vin AS unit_vin, u.name AS unit_name, u.form AS unit_form, u.carriers AS unit_carriers,
        p.vin AS plate_vin, p.name AS plate_name, p.form AS plate_form, p.carriers AS plate_carriers,
        coalesce(u.vin, p.vin) AS named_vin,
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
        n.* EXCLUDE (what), coalesce(c.what, n.what) AS what,
        CASE
            WHEN n.known THEN 'known'
            WHEN n.unit_vin <> n.plate_vin THEN 'torn'
            WHEN c.vin IS NOT NULL THEN 'agreed'
            WHEN n.best IS NOT NULL AND n.named_vin IS NOT NULL THEN 'contradicted'
            WHEN n.certainty >= getvariable('mended_above') THEN 'mended'
            WHEN n.best IS NULL AND n.named_vin IS NOT NULL AND (n.vin_written IS NULL OR n.problem IS NOT NULL) THEN 'named'
            WHEN n.vin_written IS NOT NULL THEN 'not found'
            ELSE 'not named'
        END AS how
    FROM named n
    LEFT JOIN vin_candidate c ON c.written = n.vin_written AND c.vin = n.named_vin
),
settled AS (
    SELECT *, CASE how WHEN 'known' THEN vin_read WHEN 'mended' THEN best WHEN 'agreed' THEN named_vin WHEN 'named' THEN named_vin END AS vin
    FROM judged
)
SELECT
    vin_written, unit_no, plate, from_on, to_on, vin,
    CASE how
        WHEN 'torn' THEN trouble('unit_no', unit_no, 'is another vehicle than the plate', 'give the VIN')
        WHEN 'contradicted' THEN trouble('vin', vin_written, 'is not in the fleet list, and what it resembles there is not the vehicle that the unit number or plate names', 'correct one of them: the fleet has ' || near || '; the unit number or plate names ' || named_vin)
        WHEN 'not found' THEN trouble(
            'vin', vin_written, coalesce(problem, 'is not in the fleet list'),
            CASE WHEN problem IS NULL THEN 'load the vehicle first, or correct the VIN' ELSE 'correct it, or give a unit number or plate of the fleet list' END
            || coalesce('; the fleet has ' || near, '')
        )
        WHEN 'not named' THEN CASE
            WHEN unit_carriers > 1 THEN trouble('unit_no', unit_no, 'stands for ' || unit_carriers || ' vehicles of the fleet list, and its service dates do not single one out that day', 'give the VIN')
            WHEN plate_carriers > 1 THEN trouble('plate', plate, 'stands for ' || plate_carriers || ' vehicles of the fleet list, and its service dates do not single one out that day', 'give the VIN')
            ELSE trouble('vin', coalesce(unit_no, plate), 'is empty, and no unit number or plate names one vehicle of the fleet list', 'give the VIN')
        END
    END AS trouble,
    CASE WHEN how IN ('mended', 'agreed', 'named') THEN list_filter([
        CASE
            WHEN how = 'mended' THEN struct_pack(field := 'vin', was := vin_written, became := vin, why := 'mended: ' || what || '; certainty ' || printf('%.2f', certainty))
            WHEN how = 'agreed' THEN struct_pack(field := 'vin', was := vin_written, became := vin, why := 'mended: ' || what || '; the unit number or plate names this vehicle too')
            WHEN problem IS NOT NULL THEN struct_pack(field := 'vin', was := vin_written, became := vin, why := problem || '; the unit number or plate names this vehicle')
            -- Where a file has no column for the VIN at all, the unit number is simply how it
            -- names vehicles.
            WHEN map_contains(getvariable('heading'), 'vin') THEN struct_pack(field := 'vin', was := vin_written, became := vin, why := 'is empty; the unit number or plate names this vehicle')
        END,
        CASE WHEN unit_vin = vin AND (unit_form > 1 OR unit_carriers > 1) THEN struct_pack(field := 'unit_no', was := unit_no, became := unit_name, why := CASE WHEN unit_form > 1 THEN 'is written so in the fleet list' ELSE 'stands for several vehicles of the fleet list; this one alone was in service that day' END) END,
        CASE WHEN plate_vin = vin AND (plate_form > 1 OR plate_carriers > 1) THEN struct_pack(field := 'plate', was := plate, became := plate_name, why := CASE WHEN plate_form > 1 THEN 'is written so in the fleet list' ELSE 'stands for several vehicles of the fleet list; this one alone was in service that day' END) END
    ], lambda n: n IS NOT NULL) END AS notes
FROM settled;

DROP TABLE name_carrier;
DROP TABLE name_found;
DROP TABLE vehicle_key
