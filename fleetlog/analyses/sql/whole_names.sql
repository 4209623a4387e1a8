VALUES ('VIN', $key), ('unit number', $key), ('plate', $key), ('order', $key)
