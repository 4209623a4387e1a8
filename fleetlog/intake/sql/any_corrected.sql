SELECT count(*) > 0 FROM staging.corrected
