VALUES ('plate', $bare)
