-- Pairs of orders of one vehicle that may tell one job twice: those opened within link_days of each
-- other, and those of which somebody has said what they are. Orders are sorted by vehicle and day
-- and compared with the next six only, and only those with another near by are compared at all.
-- Growth: n log n in the orders.

DELETE FROM order_link WHERE vin IN (FROM touched_vehicle);

CREATE OR REPLACE TEMP TABLE order_pair AS
WITH told AS (
    SELECT ro_id, vin, opened_on,
           lag(opened_on) OVER v AS before_on, lead(opened_on) OVER v AS after_on
    FROM repair_order JOIN touched_vehicle USING (vin)
    WINDOW v AS (PARTITION BY vin ORDER BY opened_on, ro_id)
), close AS (
    SELECT ro_id, vin, opened_on, row_number() OVER (PARTITION BY vin ORDER BY opened_on, ro_id) AS place
    FROM told
    WHERE opened_on - before_on <= getvariable('link_days')
       OR after_on - opened_on <= getvariable('link_days')
), ruled AS (
    SELECT CASE WHEN (a.opened_on, a.ro_id) < (b.opened_on, b.ro_id) THEN a.ro_id ELSE b.ro_id END AS first_ro,
           CASE WHEN (a.opened_on, a.ro_id) < (b.opened_on, b.ro_id) THEN b.ro_id ELSE a.ro_id END AS second_ro,
           a.vin, r.ruling, r.said_by, r.reason
    FROM order_ruling AS r
    JOIN repair_order AS a ON a.shop = r.shop AND a.ro_no = r.ro_no
    JOIN repair_order AS b ON b.shop = r.other_shop AND b.ro_no = r.other_ro_no AND b.vin = a.vin
    JOIN touched_vehicle AS t ON t.vin = a.vin
), near AS (
    SELECT a.vin, a.ro_id AS first_ro, b.ro_id AS second_ro
    FROM close AS a
    CROSS JOIN range(1, 7) AS step(ahead)
    JOIN close AS b ON b.vin = a.vin AND b.place = a.place + ahead
    WHERE b.opened_on - a.opened_on <= getvariable('link_days')
)
SELECT coalesce(n.vin, r.vin) AS vin, coalesce(n.first_ro, r.first_ro) AS first_ro,
       coalesce(n.second_ro, r.second_ro) AS second_ro, r.ruling, r.said_by, r.reason
FROM near AS n
FULL JOIN ruled AS r ON r.first_ro = n.first_ro AND r.second_ro = n.second_ro;

-- The lines that an order tells again of another, filled where there are pairs to score.
CREATE OR REPLACE TEMP TABLE told_line (ro_id BIGINT, line_no INTEGER, told_on VARCHAR);
