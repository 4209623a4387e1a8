-- The lives of one component with their dates and orders, for what was found in them; what stands
-- in braces is repeat_lives.sql. In no order: putting half a million lives into one would take
-- longer than finding them.
SELECT l.*, v.unit_no, v.retired_on, coalesce(f.done_on, s.in_service_on) AS begun_on,
       o.shop, o.ro_no, o.opened_on
FROM ({lives}) AS l
JOIN vehicle AS v USING (vin)
JOIN vehicle_span AS s USING (vin)
LEFT JOIN order_distance AS f ON f.ro_id = l.fitted_ro
LEFT JOIN repair_order AS o ON o.ro_id = l.ended_ro
WHERE l.component = $component
