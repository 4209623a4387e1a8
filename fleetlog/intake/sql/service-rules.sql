CREATE TABLE checked AS
WITH flagged AS (
    SELECT
        t.* EXCLUDE (component, safety_critical),
        t.component AS component_written,
        w.component,
        -- A file can add to the catalogue's caution and never take from it.
        coalesce(t.safety_critical, false) OR coalesce(c.safety_critical, false) AS safety_critical,
        flag(f.code IS NULL AND t.engine_family IS NOT NULL, 0)
        | flag(t.component IS NOT NULL AND w.component IS NULL, 1)
        | flag(coalesce(t.every_distance, t.every_days, t.every_hours) IS NULL, 2)
        | flag(least(t.every_distance, t.every_days, t.every_hours) <= 0, 3) AS crosses
    FROM typed t
    LEFT JOIN known_family f ON f.code = t.engine_family
    LEFT JOIN component_text w ON w.written = t.component
    LEFT JOIN known_component c ON c.code = w.component
)
SELECT
    *,
    CASE WHEN crosses <> 0 THEN list_filter([
        CASE WHEN has(crosses, 0) THEN trouble('engine_family', engine_family, 'is not an engine family of the store', 'load the engine families first, or correct the code') END,
        CASE WHEN has(crosses, 1) THEN trouble('component', component_written, 'is not a component of the catalogue', 'use a code or a common name from the catalogue, or leave the cell empty') END,
        CASE WHEN has(crosses, 2) THEN trouble('every_distance', NULL, 'has no interval beside it', 'give a distance, days or engine hours') END,
        CASE WHEN has(crosses, 3) THEN trouble('every_distance', every_distance::VARCHAR, 'or another interval of the row is not above zero', 'give an interval above zero, or leave the cell empty') END
    ], lambda p: p IS NOT NULL) END AS cross_problems
FROM flagged
