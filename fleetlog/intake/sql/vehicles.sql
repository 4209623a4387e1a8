CREATE TABLE checked AS
WITH resolved AS (
    SELECT
        t.* EXCLUDE (vin, observed_from_on, observed_from_odometer, in_service_odometer, faults),
        t.vin AS vin_written,
        coalesce(v.mended, v.vin) AS vin,
        CASE WHEN v.mended IS NULL THEN v.problem END AS vin_problem,
        v.near AS vin_near,
        CASE WHEN v.mended IS NOT NULL THEN [struct_pack(field := 'vin', was := t.vin, became := v.mended, why := 'mended: ' || v.what || '; certainty ' || printf('%.2f', v.certainty))] END AS vehicle_notes,
        coalesce(t.in_service_odometer, 0) AS in_service_odometer,
        coalesce(t.observed_from_on, t.in_service_on) AS observed_from_on,
        coalesce(t.observed_from_odometer, t.in_service_odometer, 0) AS observed_from_odometer,
        f.code IS NULL AS family_unknown,
        t.faults
    FROM typed t
    LEFT JOIN vin_text v ON v.written = t.vin
    LEFT JOIN known_family f ON f.code = t.engine_family
),
flagged AS (
    SELECT
        *,
        flag(vin_problem IS NOT NULL, 0)
        | flag(family_unknown AND engine_family IS NOT NULL, 1)
        | flag(observed_from_on < in_service_on, 2)
        | flag(observed_from_odometer < in_service_odometer, 3)
        | flag(retired_on < observed_from_on, 4)
        | flag(model_year NOT BETWEEN 1980 AND 2100, 5)
        | flag(retired_odometer < observed_from_odometer, 6) AS crosses
    FROM resolved
)
SELECT
    * EXCLUDE (vin_problem, vin_near, family_unknown),
    CASE WHEN crosses <> 0 THEN list_filter([
        CASE WHEN has(crosses, 0) THEN trouble('vin', vin_written, vin_problem, 'compare it with the vehicle and correct the file' || coalesce('; ' || vin_near, '')) END,
        CASE WHEN has(crosses, 1) THEN trouble('engine_family', engine_family, 'is not an engine family of the store', 'load the engine families first, or correct the code') END,
        CASE WHEN has(crosses, 2) THEN trouble('observed_from_on', observed_from_on::VARCHAR, 'lies before the start of service', 'correct one of the two dates') END,
        CASE WHEN has(crosses, 3) THEN trouble('observed_from_odometer', observed_from_odometer::VARCHAR, 'is less than the odometer at the start of service', 'correct one of the two readings') END,
        CASE WHEN has(crosses, 4) THEN trouble('retired_on', retired_on::VARCHAR, 'lies before the first day that the records cover', 'correct one of the two dates') END,
        CASE WHEN has(crosses, 5) THEN trouble('model_year', model_year::VARCHAR, 'is not a model year from 1980 to 2100', 'write the year with four digits') END,
        CASE WHEN has(crosses, 6) THEN trouble('retired_odometer', retired_odometer::VARCHAR, 'is less than the odometer at which the records begin', 'correct one of the two readings') END
    ], lambda p: p IS NOT NULL) END AS cross_problems
FROM flagged
