SELECT * EXCLUDE (faults, crosses, field_problems, cross_problems, cylinder_banks_written)
       REPLACE (coalesce(displacement_l, 0) AS displacement_l)
FROM checked WHERE faults = 0 AND crosses = 0 ORDER BY file_row
