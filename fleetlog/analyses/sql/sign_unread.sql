-- Orders whose complaint holds no word that is known as a sign.
SELECT count(*)
FROM repair_order AS o JOIN vehicle_span AS s USING (vin)
WHERE o.complaint IS NOT NULL AND ($engine_family IS NULL OR s.engine_family = $engine_family)
  AND o.complaint NOT IN (SELECT text FROM complaint_sign)
