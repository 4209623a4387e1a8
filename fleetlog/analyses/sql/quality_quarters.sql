-- Orders of each shop by quarter of opening: with an odometer, and with every line coded.
SELECT o.shop, date_trunc('quarter', o.opened_on)::DATE AS quarter, count(*) AS orders,
       count(*) FILTER (o.odometer IS NOT NULL) AS with_odometer,
       count(*) FILTER (NOT coalesce(l.uncoded, false)) AS all_coded
FROM repair_order o
LEFT JOIN (SELECT ro_id, bool_or(component IS NULL) AS uncoded FROM repair_line GROUP BY ro_id) l USING (ro_id)
GROUP BY ALL ORDER BY o.shop, quarter
