-- Torques of this load that are about twelve times their fellows, or a twelfth.
SELECT count(*) FROM torque_judged WHERE load_id = getvariable('load_id') AND doubt IS NOT NULL
