-- The order that a person names, by the number that the list shows or by shop and number.
SELECT ro_id, shop, ro_no, vin
FROM repair_order
WHERE CASE WHEN $ro_id IS NOT NULL THEN ro_id = $ro_id
           ELSE lower(shop) = lower($shop) AND lower(ro_no) = lower($ro_no) END
