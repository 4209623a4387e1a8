SELECT o.opened_on, o.shop, o.ro_no, t.fastener, t.value, t.unit, t.newton_metres, t.doubt
FROM torque_judged AS t JOIN repair_order AS o USING (ro_id)
WHERE o.vin = $vin
ORDER BY o.opened_on DESC, o.ro_id DESC, t.fastener
