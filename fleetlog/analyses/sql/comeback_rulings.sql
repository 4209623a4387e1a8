-- Pairs that a person has called unrelated; dates are null while an order is not in the store.
SELECT a.vin, r.shop, r.ro_no, a.opened_on, r.other_shop, r.other_ro_no, b.opened_on AS other_opened_on,
       r.reason, r.said_by, r.said_at
FROM comeback_ruling AS r
LEFT JOIN repair_order AS a ON a.shop = r.shop AND a.ro_no = r.ro_no
LEFT JOIN repair_order AS b ON b.shop = r.other_shop AND b.ro_no = r.other_ro_no
ORDER BY r.said_at DESC, r.shop, r.ro_no
