-- The orders that a person would look up; shown_order is a frame of the caller: ro_id.
SELECT o.ro_id, o.vin, v.unit_no, o.shop, o.ro_no, o.opened_on
FROM repair_order AS o JOIN vehicle AS v USING (vin) SEMI JOIN shown_order USING (ro_id)
