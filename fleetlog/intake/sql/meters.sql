CREATE TABLE checked AS
WITH flagged AS (
    SELECT
        t.* EXCLUDE (vin, source),
        coalesce(t.source, 'reading') AS source,
        t.vin AS vin_written,
        v.vin,
        v.trouble AS vehicle_trouble,
        v.notes AS vehicle_notes,
        flag(v.trouble IS NOT NULL, 0)
        | flag(t.odometer IS NULL AND t.engine_hours IS NULL, 1) AS crosses
    FROM typed t
    LEFT JOIN vehicle_found v
        ON v.vin_written IS NOT DISTINCT FROM t.vin AND v.unit_no IS NOT DISTINCT FROM t.unit_no
        AND v.plate IS NOT DISTINCT FROM t.plate
        AND coalesce(t.read_on, '-infinity') BETWEEN v.from_on AND v.to_on
)
SELECT
    * EXCLUDE (vehicle_trouble),
    CASE WHEN crosses <> 0 THEN list_filter([
        vehicle_trouble,
        CASE WHEN has(crosses, 1) THEN trouble('odometer', NULL, 'is empty, and there are no engine hours', 'give a reading') END
    ], lambda p: p IS NOT NULL) END AS cross_problems
FROM flagged
