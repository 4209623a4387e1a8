-- One row for each line that a row of the file tells of: values read, vehicle found, part coded,
-- faults flagged. A narrative fills in only what the columns leave unsaid: about the part that they
-- name, or else about each part that it tells of. Lines that stand apart from their orders take
-- the vehicle, the day and, where they have no words of their own, the narrative of the order.
CREATE TABLE checked AS
WITH resolved AS (
    SELECT
        t.* EXCLUDE (vin, shop, opened_on, component, position, bank, cylinder, side, slot, action, reason, failure_mode, fault_codes, road_tested, codes_cleared, qty),
        coalesce(t.opened_on, o.opened_on) AS opened_on,
        coalesce(t.qty, w.qty) AS qty,
        o.ro_id IS NULL AND getvariable('kind') = 'order-lines' AS order_missing,
        t.road_tested, t.codes_cleared,
        coalesce(t.fault_codes, []) AS fault_codes,
        coalesce(t.shop, getvariable('shop')) AS shop,
        t.vin AS vin_written,
        CASE WHEN o.ro_id IS NULL THEN v.vin ELSE o.vin END AS vin,
        -- The vehicle of a line is that of its order, and without one there is nothing to say.
        CASE WHEN getvariable('kind') <> 'order-lines' THEN v.trouble END AS vehicle_trouble,
        CASE WHEN getvariable('kind') <> 'order-lines' THEN v.notes END AS vehicle_notes,
        t.position AS position_written,
        t.bank::VARCHAR AS bank_written,
        t.cylinder::VARCHAR AS cylinder_written,
        coalesce(t.component, CASE WHEN getvariable('kind') = 'order-lines' THEN narrative_of(t.cause, t.correction) END) AS description,
        w.component AS column_component,
        w.confidence AS column_confidence,
        coalesce(t.bank, s.bank, w.bank) AS column_bank,
        coalesce(t.cylinder, s.cylinder, w.cylinder) AS column_cylinder,
        coalesce(d.code, s.side, w.side) AS column_side,
        coalesce(t.slot, s.slot, w.slot) AS column_slot,
        coalesce(column_bank, column_cylinder, column_slot) IS NOT NULL OR column_side IS NOT NULL AS placed_by_column,
        a.code AS column_action,
        r.code AS column_reason,
        m.code AS column_mode,
        CASE WHEN unsaid(t.component, w.component, a.code, r.code, m.code) AND NOT (t.listed AND t.component IS NULL)
             THEN told(t.cause, t.correction, o.cause, o.correction) END AS narrative
    FROM typed t
    LEFT JOIN vehicle_found v
        ON v.vin_written IS NOT DISTINCT FROM t.vin AND v.unit_no IS NOT DISTINCT FROM t.unit_no
        AND v.plate IS NOT DISTINCT FROM t.plate
        AND coalesce(t.opened_on, '-infinity') BETWEEN v.from_on AND v.to_on
    LEFT JOIN component_text w ON w.written = t.component
    LEFT JOIN position_text s ON s.written = t.position
    LEFT JOIN side_text d ON d.written = t.side
    LEFT JOIN action_text a ON a.written = t.action
    LEFT JOIN reason_text r ON r.written = t.reason
    LEFT JOIN failure_mode_text m ON m.written = t.failure_mode
    LEFT JOIN known_order o ON o.ro_no = t.ro_no AND o.shop = coalesce(t.shop, getvariable('shop'))
),
coded AS (
    SELECT
        s.* EXCLUDE (row_part, line_no, part_no, part_lot, qty, line_labour_h, line_cost, narrative, column_component, column_confidence, column_bank, column_cylinder, column_side, column_slot, column_action, column_reason, column_mode, placed_by_column),
        n.written AS narrative,
        coalesce(n.part, s.row_part)::SMALLINT AS row_part,
        -- What a row says once belongs to the first part that its narrative tells of.
        CASE WHEN n.part > 1 THEN NULL ELSE s.line_no END AS line_no,
        CASE WHEN n.part > 1 THEN NULL ELSE s.part_no END AS part_no,
        CASE WHEN n.part > 1 THEN NULL ELSE s.part_lot END AS part_lot,
        CASE WHEN n.part > 1 THEN NULL ELSE s.qty END AS qty,
        CASE WHEN n.part > 1 THEN NULL ELSE s.line_labour_h END AS line_labour_h,
        CASE WHEN n.part > 1 THEN NULL ELSE s.line_cost END AS line_cost,
        k.engine_family,
        f.cylinders,
        f.banks,
        coalesce(s.column_component, n.component) AS said_component,
        s.column_component IS NOT NULL AS from_column,
        coalesce(CASE WHEN s.column_component IS NULL THEN n.confidence ELSE s.column_confidence END, 0) AS said_confidence,
        CASE WHEN placed_by_column THEN column_bank ELSE n.bank END AS said_bank,
        CASE WHEN placed_by_column THEN column_cylinder ELSE n.cylinder END AS cylinder,
        CASE WHEN placed_by_column THEN column_side ELSE n.side END AS side,
        CASE WHEN placed_by_column THEN column_slot ELSE n.slot END AS slot,
        f.cylinder_banks[CASE WHEN placed_by_column THEN column_cylinder ELSE n.cylinder END] AS bank_of_cylinder,
        coalesce(column_action, n.action) AS action,
        coalesce(column_reason, n.reason, 'unknown') AS reason,
        coalesce(column_mode, n.failure_mode) AS failure_mode,
        CASE WHEN NOT placed_by_column THEN n.position_confidence END AS position_confidence,
        CASE WHEN column_action IS NULL THEN n.action_confidence END AS action_confidence,
        CASE WHEN column_reason IS NULL THEN n.reason_confidence END AS reason_confidence,
        CASE WHEN column_mode IS NULL THEN n.failure_mode_confidence END AS failure_mode_confidence
    FROM resolved s
    LEFT JOIN known_vehicle k ON k.vin = s.vin
    LEFT JOIN known_family f ON f.code = k.engine_family
    LEFT JOIN narrative_text n
        ON n.written = s.narrative AND n.about = coalesce(s.column_component, '')
),
flagged AS (
    SELECT
        c.*,
        c.said_component IS NOT NULL AND t.component IS NULL AND c.engine_family IS NOT NULL AS does_not_fit,
        t.component,
        CASE WHEN t.component IS NULL THEN 'nothing' WHEN from_column THEN 'columns' ELSE 'text' END AS coded_from,
        CASE WHEN t.component IS NULL THEN 0 ELSE said_confidence END AS coding_confidence,
        coalesce(said_bank, bank_of_cylinder) AS bank,
        flag(vehicle_trouble IS NOT NULL, 0)
        | flag(closed_on < opened_on, 4)
        | flag(cylinder > cylinders OR cylinder < 1, 5)
        | flag(said_bank > banks OR said_bank < 1, 6)
        | flag(said_bank <> bank_of_cylinder, 7)
        | flag(shop IS NULL, 8)
        | flag(qty <= 0, 9)
        | flag(slot < 1, 10)
        | flag(unequal IS NOT NULL, 11)
        | flag(order_missing AND ro_no IS NOT NULL AND shop IS NOT NULL, 12) AS crosses
    FROM coded c
    LEFT JOIN known_fit t ON t.engine_family = c.engine_family AND t.component = c.said_component
)
SELECT
    * EXCLUDE (unequal, unequal_written, listed, order_missing, position_written, bank_written, cylinder_written, vehicle_trouble, said_bank, bank_of_cylinder, cylinders, banks, said_component, said_confidence, from_column, does_not_fit, engine_family),
    CASE WHEN does_not_fit THEN said_component || ' does not exist on engine family ' || engine_family END AS fit_note,
    CASE WHEN crosses <> 0 THEN list_filter([
        vehicle_trouble,
        CASE WHEN has(crosses, 4) THEN trouble('closed_on', closed_on::VARCHAR, 'lies before the day the order was opened, ' || opened_on::VARCHAR, 'correct one of the two dates') END,
        CASE WHEN has(crosses, 5) THEN trouble(place_field('cylinder', cylinder_written, position_written), place_written(cylinder_written, position_written, description), 'says cylinder ' || cylinder || ', and engine family ' || engine_family || ' has ' || cylinders || ' cylinders', 'correct the position, or the engine family of the vehicle') END,
        CASE WHEN has(crosses, 6) THEN trouble(place_field('bank', bank_written, position_written), place_written(bank_written, position_written, description), 'says bank ' || said_bank || ', and engine family ' || engine_family || ' has ' || banks || ' banks', 'correct the position, or the engine family of the vehicle') END,
        CASE WHEN has(crosses, 7) THEN trouble(place_field('bank', bank_written, position_written), place_written(bank_written, position_written, description), 'says bank ' || said_bank || ', and cylinder ' || cylinder || ' of engine family ' || engine_family || ' sits on bank ' || bank_of_cylinder, 'correct one of the two') END,
        CASE WHEN has(crosses, 8) THEN trouble('shop', NULL, 'is empty', 'name the shop in the row, or once in a column map') END,
        CASE WHEN has(crosses, 9) THEN trouble('qty', qty::VARCHAR, 'is not a quantity above zero', 'correct it, or leave the cell empty') END,
        CASE WHEN has(crosses, 10) THEN trouble('slot', slot::VARCHAR, 'is not a place counted from 1', 'correct it, or leave the cell empty') END,
        CASE WHEN has(crosses, 11) THEN trouble(unequal, unequal_written, 'lists another number of parts than the other cells of the row', 'give each part its entry, or one entry that holds for all') END,
        CASE WHEN has(crosses, 12) THEN trouble('ro_no', ro_no, 'is not a repair order of ' || shop || ' in the store', 'load the orders first, or correct the number') END
    ], lambda p: p IS NOT NULL) END AS cross_problems
FROM flagged;

-- A row stands or falls whole.
UPDATE checked SET crosses = flag(true, 63)
WHERE faults = 0 AND crosses = 0
  AND file_row IN (SELECT file_row FROM checked WHERE faults <> 0 OR crosses <> 0)
