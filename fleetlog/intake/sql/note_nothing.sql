CREATE TABLE note (file_row BIGINT, "column" VARCHAR, was VARCHAR, became VARCHAR, why VARCHAR)
