-- Linked orders, questions and pairs that somebody ruled apart, both orders side by side.
WITH line_count AS (
    SELECT ro_id, count(*) AS lines FROM repair_line GROUP BY ro_id
), named AS (
    SELECT o.ro_id, o.vin, o.shop, o.ro_no, o.opened_on, o.odometer, coalesce(n.lines, 0) AS lines
    FROM repair_order AS o LEFT JOIN line_count AS n USING (ro_id)
), apart AS (
    SELECT a.vin, (a.opened_on, a.ro_id) < (b.opened_on, b.ro_id) AS in_turn,
           CASE WHEN in_turn THEN a.ro_id ELSE b.ro_id END AS first_ro,
           CASE WHEN in_turn THEN b.ro_id ELSE a.ro_id END AS second_ro, NULL AS kind, 'apart' AS state,
           NULL AS score, 'said by ' || r.said_by || coalesce(': ' || r.reason, '') AS why
    FROM order_ruling AS r
    JOIN repair_order AS a ON a.shop = r.shop AND a.ro_no = r.ro_no
    JOIN repair_order AS b ON b.shop = r.other_shop AND b.ro_no = r.other_ro_no AND b.vin = a.vin
    WHERE r.ruling = 'different'
)
SELECT k.state, k.kind, k.score, k.vin, v.unit_no,
       a.ro_id, a.shop, a.ro_no, a.opened_on, a.odometer, a.lines,
       b.ro_id AS other_ro_id, b.shop AS other_shop, b.ro_no AS other_ro_no,
       b.opened_on AS other_opened_on, b.odometer AS other_odometer, b.lines AS other_lines,
       k.why
FROM (FROM order_link UNION ALL BY NAME SELECT * EXCLUDE (in_turn) FROM apart) AS k
JOIN named AS a ON a.ro_id = k.first_ro
JOIN named AS b ON b.ro_id = k.second_ro
LEFT JOIN vehicle AS v ON v.vin = k.vin
-- What waits for an answer first, the least sure before the others.
ORDER BY k.state = 'apart', k.state = 'linked', k.score, a.opened_on DESC, k.first_ro, k.second_ro
