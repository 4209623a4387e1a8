SELECT code, cylinder_banks FROM engine_family
