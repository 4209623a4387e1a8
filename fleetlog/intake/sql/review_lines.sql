-- Lines whose part was not told surely, with all the words there are about them. Lines without
-- words of their own count only where no line of their order is coded: else the narrative has
-- been read already.
SELECT o.shop, o.ro_no, l.line_no, o.vin, o.opened_on, l.description,
       nullif(concat_ws('; ', o.cause, o.correction), '') AS narrative,
       l.bank, l.cylinder, l.side, l.slot, l.action, nullif(l.reason, 'unknown') AS reason, l.failure_mode
FROM repair_line l JOIN repair_order o USING (ro_id)
WHERE l.component IS NULL
  AND (l.description IS NOT NULL
       OR (coalesce(o.cause, o.correction) IS NOT NULL
           AND NOT EXISTS (FROM repair_line c WHERE c.ro_id = l.ro_id AND c.component IS NOT NULL)))
ORDER BY o.shop, o.ro_no, l.line_no
