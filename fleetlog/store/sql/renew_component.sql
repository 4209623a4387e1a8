MERGE INTO component AS s USING wanted_rows AS w ON s.code = w.code
WHEN MATCHED THEN UPDATE SET
    system = w.system, title = w.title, position_rule = w.position_rule,
    access_group = w.access_group, safety_critical = w.safety_critical
WHEN NOT MATCHED BY TARGET THEN INSERT BY NAME
WHEN NOT MATCHED BY SOURCE THEN DELETE
