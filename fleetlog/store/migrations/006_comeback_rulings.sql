-- What a person has said of a repair and of a later order that looks like its comeback: that the
-- two have nothing to do with each other. It outlives the loads that the orders came with, and
-- the pair is written with the lesser shop and number first, as in order_ruling.
CREATE TABLE comeback_ruling (
    shop        VARCHAR NOT NULL,
    ro_no       VARCHAR NOT NULL,
    other_shop  VARCHAR NOT NULL,
    other_ro_no VARCHAR NOT NULL,
    reason      VARCHAR NOT NULL CHECK (length(trim(reason)) > 0),
    said_by     VARCHAR NOT NULL,
    said_at     TIMESTAMP NOT NULL,
    PRIMARY KEY (shop, ro_no, other_shop, other_ro_no),
    CHECK ((shop, ro_no) < (other_shop, other_ro_no))
);
