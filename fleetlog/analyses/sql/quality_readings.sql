-- Odometer readings by what was made of them. Readings of orders count under their shop.
SELECT coalesce(o.shop, m.source) AS told_by, m.verdict, m.why, count(*) AS readings
FROM meter_reading m LEFT JOIN repair_order o USING (ro_id)
WHERE m.odometer IS NOT NULL
GROUP BY ALL ORDER BY m.verdict, readings DESC, told_by, m.why
