CREATE TABLE raw AS SELECT CAST(COLUMNS(*) AS VARCHAR) FROM read_parquet($path) AS file({columns})
