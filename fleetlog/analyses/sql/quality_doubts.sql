SELECT (SELECT count(*) FROM order_link WHERE state = 'linked') AS linked_orders,
       (SELECT count(*) FROM order_link WHERE state = 'ask') AS asked_orders,
       (SELECT count(*) FROM torque_judged WHERE doubt IS NOT NULL) AS doubted_torques,
       (SELECT count(*) FROM repair_order) AS orders
