-- Share of rows for which something holds, each distinct cell weighed by how often it stands there.
CREATE MACRO share_of(condition, rows) AS
    coalesce(sum(CASE WHEN condition THEN rows ELSE 0 END) / nullif(sum(rows), 0), 0)::DOUBLE;

-- A number as distances are written, with or without a unit behind it.
CREATE MACRO bare_distance(t) AS number_of(regexp_replace(t, '(?i)\s*(mi|miles?|kms?)\.?$', ''));

-- The cells without the blanks around them, in file order.
CREATE TABLE proposed AS SELECT rowid AS place, {cells} FROM raw
