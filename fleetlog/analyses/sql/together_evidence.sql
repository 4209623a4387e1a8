SELECT ro_id, shop, ro_no, opened_on FROM repair_order WHERE list_contains($orders, ro_id)
