-- The distinct narratives of rows whose columns leave the part, the action, the reason or the
-- way of failing unsaid.
SELECT DISTINCT told(t.cause, t.correction, o.cause, o.correction) AS written
FROM cell t
LEFT JOIN component_text w ON w.written = t.component
LEFT JOIN action_text a ON a.written = t.action
LEFT JOIN reason_text r ON r.written = t.reason
LEFT JOIN failure_mode_text m ON m.written = t.failure_mode
LEFT JOIN known_order o ON o.ro_no = t.ro_no AND o.shop = coalesce(t.shop, getvariable('shop'))
WHERE told(t.cause, t.correction, o.cause, o.correction) IS NOT NULL
  AND unsaid(t.component, w.component, a.code, r.code, m.code)
