-- Either way round, and also where the orders themselves are gone for now.
DELETE FROM comeback_ruling
WHERE (lower(shop), lower(ro_no), lower(other_shop), lower(other_ro_no)) IN (
    (lower($shop), lower($ro_no), lower($other_shop), lower($other_ro_no)),
    (lower($other_shop), lower($other_ro_no), lower($shop), lower($ro_no)))
RETURNING shop, ro_no, other_shop, other_ro_no
