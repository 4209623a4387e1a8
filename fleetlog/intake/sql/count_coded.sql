SELECT coded_from, count(*) FROM loaded_repair_line WHERE load_id = getvariable('load_id') GROUP BY ALL
