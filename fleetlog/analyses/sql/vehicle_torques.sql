-- Torques of one vehicle's orders. Each is judged against those of its fellows in the fleet, which
-- reads all torques of the store.
SELECT ro_id, fastener, value, unit, newton_metres, doubt
FROM torque_judged
WHERE ro_id IN (SELECT unnest($orders))
ORDER BY ro_id, fastener
