MERGE INTO component_position AS s USING wanted_rows AS w
ON s.engine_family = w.engine_family AND s.component = w.component AND s.ordinal = w.ordinal
WHEN MATCHED THEN UPDATE SET bank = w.bank, cylinder = w.cylinder, side = w.side, slot = w.slot
WHEN NOT MATCHED BY TARGET THEN INSERT BY NAME
WHEN NOT MATCHED BY SOURCE THEN DELETE
