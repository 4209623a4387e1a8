-- Give ids, compare with what stands in the store, keep what is new or different.
-- {order_columns} and {line_columns} are the stored columns; {..._differs} and {..._content}
-- look only at those that this file can speak of, and {..._carried} keeps the others as they were.
CREATE TEMP TABLE order_in AS
SELECT
    g.* EXCLUDE (vins_differ, days_differ, numbers_repeat),
    g.last_row - g.first_row + 1 = g.row_count AND g.row_count = g.line_count AS unbroken,
    r.ro_id IS NOT NULL AS known,
    coalesce(
        r.ro_id,
        (SELECT coalesce(max(ro_id), 0) FROM loaded_repair_order)
        + row_number() OVER (PARTITION BY r.ro_id IS NULL ORDER BY g.first_row)
    ) AS ro_id
FROM staging.order_group g
LEFT JOIN repair_order r ON r.shop = g.shop AND r.ro_no = g.ro_no;

-- Lines of orders that are known already, beside those that stand.
CREATE TEMP TABLE line_new AS
SELECT f.file_row, f.row_part, o.ro_id, f.line_no, f.component, hash({line_content}) AS content
FROM staging.fresh_line f JOIN order_in o ON o.shop = f.shop AND o.ro_no = f.ro_no
WHERE o.known;

CREATE TEMP TABLE line_old AS
SELECT f.ro_id, f.line_no, f.component, hash({line_content}) AS content
FROM repair_line f SEMI JOIN line_new n ON n.ro_id = f.ro_id;

-- First by the number that the file gives.
CREATE TEMP TABLE line_match AS
SELECT n.file_row, n.row_part, n.ro_id, o.line_no, n.content = o.content AS same
FROM line_new n JOIN line_old o ON o.ro_id = n.ro_id AND o.line_no = n.line_no;

-- Then, without a number, by the same content.
INSERT INTO line_match
WITH n AS (
    SELECT *, row_number() OVER (PARTITION BY ro_id, content ORDER BY file_row, row_part) AS nth
    FROM line_new WHERE line_no IS NULL
),
o AS (
    SELECT *, row_number() OVER (PARTITION BY ro_id, content ORDER BY line_no) AS nth
    FROM line_old ANTI JOIN line_match USING (ro_id, line_no)
)
SELECT n.file_row, n.row_part, n.ro_id, o.line_no, true
FROM n JOIN o ON o.ro_id = n.ro_id AND o.content = n.content AND o.nth = n.nth;

-- Then by the same part, in order: such a line has been changed.
INSERT INTO line_match
WITH n AS (
    SELECT *, row_number() OVER (PARTITION BY ro_id, component ORDER BY file_row, row_part) AS nth
    FROM line_new ANTI JOIN line_match USING (file_row, row_part) WHERE line_no IS NULL
),
o AS (
    SELECT *, row_number() OVER (PARTITION BY ro_id, component ORDER BY line_no) AS nth
    FROM line_old ANTI JOIN line_match USING (ro_id, line_no)
)
SELECT n.file_row, n.row_part, n.ro_id, o.line_no, false
FROM n JOIN o ON o.ro_id = n.ro_id AND o.component IS NOT DISTINCT FROM n.component AND o.nth = n.nth;

-- The highest number that an order has used, in the store or in the file.
CREATE TEMP TABLE used_number AS
SELECT ro_id, max(line_no) AS highest
FROM (SELECT ro_id, line_no FROM loaded_repair_line UNION ALL SELECT ro_id, line_no FROM line_new)
SEMI JOIN line_new USING (ro_id)
GROUP BY ro_id;

-- Every line that goes in, with its number. A new order that stands in one piece numbers its
-- lines by their place; the others are counted.
CREATE TEMP TABLE kept_line AS
SELECT
    f.file_row, f.row_part, o.ro_id,
    coalesce(f.line_no, o.highest_number + f.file_row - o.first_row + 1)::INTEGER AS line_no,
    false AS changes
FROM staging.fresh_line f JOIN order_in o ON o.shop = f.shop AND o.ro_no = f.ro_no
WHERE NOT o.known AND o.unbroken
UNION ALL
SELECT
    f.file_row, f.row_part, o.ro_id,
    coalesce(f.line_no, o.highest_number + row_number() OVER (
        PARTITION BY o.ro_id, f.line_no IS NULL ORDER BY f.file_row, f.row_part
    ))::INTEGER,
    false
FROM staging.fresh_line f JOIN order_in o ON o.shop = f.shop AND o.ro_no = f.ro_no
WHERE NOT o.known AND NOT o.unbroken
UNION ALL
SELECT file_row, row_part, ro_id, line_no, true FROM line_match WHERE NOT same
UNION ALL
SELECT
    n.file_row, n.row_part, n.ro_id,
    coalesce(n.line_no, coalesce(u.highest, 0) + row_number() OVER (
        PARTITION BY n.ro_id, n.line_no IS NULL ORDER BY n.file_row, n.row_part
    ))::INTEGER,
    false
FROM line_new n ANTI JOIN line_match m USING (file_row, row_part) LEFT JOIN used_number u USING (ro_id);

-- An order gets a new version when anything of it is new, so that each load stands on its own.
CREATE TEMP TABLE order_changed AS
SELECT o.ro_id, o.first_row
FROM order_in o
JOIN staging.fresh_order f ON f.file_row = o.first_row
JOIN repair_order s ON s.ro_id = o.ro_id
WHERE o.known AND ({order_differs});

CREATE TEMP TABLE kept_row AS
SELECT file_row FROM kept_line
UNION
SELECT first_row FROM order_changed
UNION
SELECT first_row FROM order_in WHERE NOT known;

CREATE TEMP TABLE order_version AS
SELECT o.ro_id, o.known, o.first_row, o.first_row AS file_row FROM order_in o WHERE NOT o.known
UNION ALL
SELECT o.ro_id, true, o.first_row, least(min(k.file_row), min(c.first_row))
FROM order_in o
LEFT JOIN kept_line k ON k.ro_id = o.ro_id
LEFT JOIN order_changed c ON c.ro_id = o.ro_id
WHERE o.known AND (k.ro_id IS NOT NULL OR c.ro_id IS NOT NULL)
GROUP BY o.ro_id, o.first_row;

INSERT INTO loaded_repair_order BY NAME
SELECT getvariable('load_id') AS load_id, v.file_row, v.ro_id, {order_carried}
FROM order_version v
JOIN staging.fresh_order f ON f.file_row = v.first_row
LEFT JOIN repair_order s ON v.known AND s.ro_id = v.ro_id;

UPDATE loaded_repair_order AS s SET superseded_by = getvariable('load_id')
FROM order_version v
WHERE v.known AND s.ro_id = v.ro_id AND s.superseded_by IS NULL AND s.load_id <> getvariable('load_id');

-- The lines that are about to change, as they stand.
CREATE TEMP TABLE line_before AS
SELECT s.* FROM repair_line s JOIN kept_line k ON k.changes AND s.ro_id = k.ro_id AND s.line_no = k.line_no;

INSERT INTO loaded_repair_line BY NAME
SELECT getvariable('load_id') AS load_id, f.file_row, f.row_part, k.ro_id, k.line_no, {line_carried}, f.coded_from, f.coding_confidence,
       f.position_confidence, f.action_confidence, f.reason_confidence, f.failure_mode_confidence
FROM kept_line k
JOIN staging.fresh_line f USING (file_row, row_part)
LEFT JOIN line_before s ON k.changes AND s.ro_id = k.ro_id AND s.line_no = k.line_no;

UPDATE loaded_repair_line AS s SET superseded_by = getvariable('load_id')
FROM kept_line k
WHERE k.changes AND s.ro_id = k.ro_id AND s.line_no = k.line_no AND s.superseded_by IS NULL
  AND s.load_id <> getvariable('load_id')
