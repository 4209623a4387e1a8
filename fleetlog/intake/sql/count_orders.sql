SELECT count(*) FILTER (NOT known), count(*) FILTER (known) FROM order_version
