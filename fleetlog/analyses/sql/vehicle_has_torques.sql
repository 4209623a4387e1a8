SELECT count(*) FROM torque_record WHERE ro_id IN (SELECT unnest($orders))
