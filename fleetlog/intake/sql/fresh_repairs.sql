-- The rows as the store has them: what belongs to the order, and what to its line. {lines} is
-- empty for a file of orders alone.
CREATE VIEW fresh_order AS
SELECT
    file_row, shop, ro_no, vin, opened_on, closed_on, odometer, odometer_written, engine_hours,
    technician, complaint, cause, correction, fault_codes, road_tested, codes_cleared, downtime_h,
    labour_h, labour_cost, parts_cost
FROM checked WHERE row_part = 1;

CREATE VIEW fresh_line AS
SELECT
    file_row, row_part, shop, ro_no, line_no, description, component, bank::SMALLINT AS bank,
    cylinder::SMALLINT AS cylinder, side, slot::SMALLINT AS slot, action, reason, failure_mode,
    part_no, part_maker, part_lot, qty, line_labour_h AS labour_h, line_cost AS cost, coded_from,
    coding_confidence, position_confidence, action_confidence, reason_confidence,
    failure_mode_confidence
FROM fresh {lines}
