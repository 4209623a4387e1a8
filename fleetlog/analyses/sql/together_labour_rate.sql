-- What an hour of labour costs, by the orders that say both.
SELECT median(labour_cost::DOUBLE / labour_h) AS rate, count(*) AS orders
FROM repair_order WHERE labour_h > 0 AND labour_cost > 0
