CREATE TABLE checked AS
WITH resolved AS (
    SELECT t.* EXCLUDE (shop), coalesce(t.shop, getvariable('shop')) AS shop
    FROM typed t
), flagged AS (
    SELECT
        r.*, o.ro_id, w.value, w.unit, w.newton_metres,
        flag(r.shop IS NULL, 0)
        | flag(r.shop IS NOT NULL AND r.ro_no IS NOT NULL AND o.ro_id IS NULL, 1)
        | flag(r.torque IS NOT NULL AND w.newton_metres IS NULL, 2)
        | flag(w.newton_metres <= 0, 3) AS crosses
    FROM resolved r
    LEFT JOIN known_order o ON o.shop = r.shop AND o.ro_no = r.ro_no
    LEFT JOIN torque_text w ON w.written = r.torque
)
SELECT
    *,
    CASE WHEN crosses <> 0 THEN list_filter([
        CASE WHEN has(crosses, 0) THEN trouble('shop', NULL, 'is empty', 'name the shop in the row, or once in a column map') END,
        CASE WHEN has(crosses, 1) THEN trouble('ro_no', ro_no, 'is not a repair order of ' || shop || ' in the store', 'load the repair orders first, or correct the number') END,
        CASE WHEN has(crosses, 2) THEN trouble('torque', torque, 'is not a torque with a unit', 'write it as 89 in-lb, 85 ft-lb or 120 N m') END,
        CASE WHEN has(crosses, 3) THEN trouble('torque', torque, 'is not above zero', 'correct it') END
    ], lambda p: p IS NOT NULL) END AS cross_problems
FROM flagged
