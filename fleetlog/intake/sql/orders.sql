-- The orders of the store that carry one of these numbers.
SELECT ro_id, shop, ro_no, vin, opened_on, cause, correction FROM repair_order
WHERE ro_no IN (SELECT unnest($numbers::VARCHAR[]))
