SELECT * EXCLUDE (faults, crosses, field_problems, cross_problems, cylinder_banks_written)
FROM checked WHERE faults = 0 AND crosses = 0 ORDER BY file_row
