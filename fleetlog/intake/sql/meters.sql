CREATE TABLE checked AS
WITH resolved AS (
    SELECT
        t.* EXCLUDE (vin, source),
        coalesce(t.source, 'reading') AS source,
        t.vin AS vin_written,
        v.problem AS vin_problem,
        v.known AS vin_known,
        u.vin AS unit_vin,
        p.vin AS plate_vin,
        CASE WHEN v.known THEN v.vin WHEN t.vin IS NULL OR v.problem IS NOT NULL THEN coalesce(u.vin, p.vin) END AS vin
    FROM typed t
    LEFT JOIN vin_text v ON v.written = t.vin
    LEFT JOIN known_unit u ON u.unit_no = lower(t.unit_no) AND v.known IS NOT TRUE
    LEFT JOIN known_plate p ON p.plate = lower(t.plate) AND v.known IS NOT TRUE
),
flagged AS (
    SELECT
        *,
        flag(vin IS NULL AND vin_problem IS NOT NULL, 0)
        | flag(vin IS NULL AND vin_written IS NOT NULL AND vin_problem IS NULL, 1)
        | flag(vin IS NULL AND vin_written IS NULL, 2)
        | flag(unit_vin <> plate_vin, 3)
        | flag(odometer IS NULL AND engine_hours IS NULL, 4) AS crosses
    FROM resolved
)
SELECT
    * EXCLUDE (vin_known, vin_problem),
    CASE WHEN vin_written IS NOT NULL AND vin_problem IS NOT NULL AND vin IS NOT NULL THEN vin_problem END AS vin_note,
    CASE WHEN crosses <> 0 THEN list_filter([
        CASE WHEN has(crosses, 0) THEN trouble('vin', vin_written, vin_problem, 'correct it, or give a unit number or plate of the fleet list') END,
        CASE WHEN has(crosses, 1) THEN trouble('vin', vin_written, 'is not in the fleet list', 'load the vehicle first, or correct the VIN') END,
        CASE WHEN has(crosses, 2) THEN trouble('vin', coalesce(unit_no, plate), 'is empty, and no unit number or plate names one vehicle of the fleet list', 'give the VIN') END,
        CASE WHEN has(crosses, 3) THEN trouble('unit_no', unit_no, 'is another vehicle than the plate', 'give the VIN') END,
        CASE WHEN has(crosses, 4) THEN trouble('odometer', NULL, 'is empty, and there are no engine hours', 'give a reading') END
    ], lambda p: p IS NOT NULL) END AS cross_problems
FROM flagged
