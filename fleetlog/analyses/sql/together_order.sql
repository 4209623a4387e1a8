-- The order that a number names; shops may number alike.
SELECT o.ro_id, o.shop, o.ro_no, o.vin, o.opened_on, d.distance
FROM repair_order AS o
LEFT JOIN order_distance AS d USING (ro_id)
WHERE o.ro_no = $ro_no AND ($shop IS NULL OR o.shop = $shop)
ORDER BY o.shop
