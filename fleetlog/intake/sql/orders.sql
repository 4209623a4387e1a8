SELECT ro_id, shop, ro_no FROM repair_order
