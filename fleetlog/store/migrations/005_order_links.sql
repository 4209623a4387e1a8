-- Orders that tell the same job twice, what people have said about them, and torques held
-- against their fellows.

-- Derived: rebuilt with the lives of a vehicle from the orders that are there.
CREATE TABLE order_link (
    vin       VARCHAR NOT NULL,
    first_ro  BIGINT NOT NULL,              -- the earlier opened; of one day, the earlier loaded
    second_ro BIGINT NOT NULL,
    kind      VARCHAR NOT NULL CHECK (kind IN ('same order', 'split order')),
    state     VARCHAR NOT NULL CHECK (state IN ('linked', 'ask')),
    score     DOUBLE NOT NULL CHECK (score BETWEEN 0 AND 1),
    why       VARCHAR NOT NULL,             -- what spoke for it and against it, in words
    CHECK (first_ro <> second_ro)
);

-- What a person has said of two orders; it outlives the loads that the orders came with. The pair
-- is written with the lesser shop and number first, so that it is found either way round.
CREATE TABLE order_ruling (
    shop        VARCHAR NOT NULL,
    ro_no       VARCHAR NOT NULL,
    other_shop  VARCHAR NOT NULL,
    other_ro_no VARCHAR NOT NULL,
    ruling      VARCHAR NOT NULL CHECK (ruling IN ('same', 'different')),
    said_by     VARCHAR NOT NULL,
    said_at     TIMESTAMP NOT NULL,
    reason      VARCHAR,
    PRIMARY KEY (shop, ro_no, other_shop, other_ro_no),
    CHECK ((shop, ro_no) < (other_shop, other_ro_no))
);

-- The order that a linked order belongs to: the first of its chain of links.
CREATE VIEW order_visit AS
WITH RECURSIVE reached(ro_id, visit_ro, steps) AS (
    SELECT second_ro, first_ro, 1 FROM order_link WHERE state = 'linked'
    UNION
    SELECT r.ro_id, l.first_ro, r.steps + 1
    FROM reached AS r JOIN order_link AS l ON l.second_ro = r.visit_ro AND l.state = 'linked'
    -- A job is told a few times; where hundreds of orders are alike, paths would never end.
    WHERE r.steps < 8
)
SELECT ro_id, arg_max(visit_ro, (steps, -visit_ro)) AS visit_ro FROM reached GROUP BY ro_id;

-- Each torque against the median of the others of its fastener and engine family (fellows: how
-- many those are). An inch is a twelfth of a foot: a torque that is twelve times its fellows, or a
-- twelfth, was likely written with the other of the two units. It takes three fellows, and a ratio
-- within a quarter of twelve or of a twelfth (our rule of thumb, no source). Growth: n log n.
CREATE VIEW torque_judged AS
WITH named AS (
    SELECT t.*, v.engine_family,
           -- Capitals, blanks, the number of the bolt and a plural tell no fasteners apart.
           regexp_replace(regexp_replace(trim(regexp_replace(
               lower(t.fastener), '[^\p{L}\p{N}]+', ' ', 'g')), '( no)?( [0-9]+)+$', ''), '([^s])s$', '\1')
               AS fastener_kind
    FROM torque_record AS t
    JOIN repair_order AS o USING (ro_id)
    JOIN vehicle AS v USING (vin)
), placed AS (
    SELECT *, count(*) OVER (PARTITION BY engine_family, fastener_kind) - 1 AS fellows,
           row_number() OVER (PARTITION BY engine_family, fastener_kind
                              ORDER BY newton_metres, ro_id, fastener) AS place
    FROM named
), middled AS (
    -- The places of the median of all but one: one further for whoever stands at or before them.
    SELECT *, (fellows + 1) // 2 AS lower_place, fellows // 2 + 1 AS upper_place,
           max(CASE WHEN place = lower_place THEN newton_metres END) OVER kin AS lower_value,
           max(CASE WHEN place = lower_place + 1 THEN newton_metres END) OVER kin AS after_lower,
           max(CASE WHEN place = upper_place THEN newton_metres END) OVER kin AS upper_value,
           max(CASE WHEN place = upper_place + 1 THEN newton_metres END) OVER kin AS after_upper
    FROM placed
    WINDOW kin AS (PARTITION BY engine_family, fastener_kind)
), held_against AS (
    SELECT *, CASE WHEN fellows > 0 THEN
               (CASE WHEN place <= lower_place THEN after_lower ELSE lower_value END
                + CASE WHEN place <= upper_place THEN after_upper ELSE upper_value END) / 2 END
               AS median_newton_metres,
           newton_metres / median_newton_metres AS ratio
    FROM middled
)
SELECT load_id, file_row, ro_id, engine_family, fastener, fastener_kind, value, unit, newton_metres,
       fellows, median_newton_metres, ratio,
       CASE
           WHEN fellows >= 3 AND abs(ratio / 12 - 1) <= 0.25 THEN format(
               '{:.3g} times the median of {} fellows ({:.3g} N m): {}',
               ratio, fellows, median_newton_metres,
               CASE WHEN unit = 'ft-lb' THEN 'perhaps meant as in-lb' ELSE 'perhaps inch-pounds and foot-pounds were mixed up' END)
           WHEN fellows >= 3 AND abs(ratio * 12 - 1) <= 0.25 THEN format(
               '1/{:.3g} of the median of {} fellows ({:.3g} N m): {}',
               1 / ratio, fellows, median_newton_metres,
               CASE WHEN unit = 'in-lb' THEN 'perhaps meant as ft-lb' ELSE 'perhaps inch-pounds and foot-pounds were mixed up' END)
       END AS doubt
FROM held_against;
