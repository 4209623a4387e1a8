SELECT DISTINCT {column} AS written FROM cell WHERE {column} IS NOT NULL
