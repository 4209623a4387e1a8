-- Pairs of orders that a person has called unrelated, each pair both ways round. The table holds
-- what people have ruled: a few rows.
SELECT shop, ro_no, other_shop AS back_shop, other_ro_no AS back_ro_no FROM comeback_ruling
UNION ALL
SELECT other_shop, other_ro_no, shop, ro_no FROM comeback_ruling
