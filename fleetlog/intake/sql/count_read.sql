SELECT (SELECT count(*) FROM raw), (SELECT count(*) FROM rejected)
