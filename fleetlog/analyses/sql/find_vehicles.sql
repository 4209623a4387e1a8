-- VINs that a name stands for: see find_vehicles in choices.py. Never more than $most rows, and only
-- the closest way of answering counts. The names sought are filled in from a query of their own
-- (whole_names.sql and others); their rows are found by marks, which other names may share.
WITH named(names_of, name) AS MATERIALIZED (
    {names}
), told AS MATERIALIZED (
    SELECT m.load_id, m.row_no, names_of, n.name,
           CASE WHEN n.name = if(names_of = 'plate', $bare, $key) THEN 1
                WHEN names_of = 'VIN' AND length($key) >= 4 AND ends_with(n.name, $key) THEN 2
                ELSE 3 END AS closeness
    FROM name_mark AS m JOIN (SELECT *, mark_of(name) AS mark FROM named) AS n USING (mark, names_of)
), ordered AS MATERIALIZED (
    SELECT o.vin, t.closeness, 'RO ' || o.ro_no || ' (' || o.shop || ')' AS by_what
    FROM repair_order AS o JOIN (FROM told WHERE names_of = 'order') AS t ON t.row_no = o.ro_id
    WHERE on_one_line(o.ro_no) = t.name
), answering AS MATERIALIZED (
    SELECT v.vin, t.closeness,
           CASE t.closeness WHEN 1 THEN if(t.names_of = 'VIN', '', 'its ')
                            WHEN 2 THEN 'the end of its ' ELSE 'a part of its ' END
               || t.names_of AS by_what
    FROM vehicle AS v
    JOIN (FROM told WHERE names_of <> 'order') AS t ON t.load_id = v.load_id AND t.row_no = v.file_row
    WHERE t.name = CASE t.names_of WHEN 'VIN' THEN v.vin WHEN 'plate' THEN bare_plate(v.plate)
                                   ELSE on_one_line(v.unit_no) END
    UNION ALL
    -- An order may be of a vehicle that is not in the fleet list.
    SELECT vin, closeness, by_what FROM ordered JOIN (SELECT vin FROM vehicle) USING (vin)
)
SELECT vin, min(by_what) AS matched
FROM answering
WHERE closeness = (SELECT min(closeness) FROM answering)
GROUP BY vin
ORDER BY vin
LIMIT $most
