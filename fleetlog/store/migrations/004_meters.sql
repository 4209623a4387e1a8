-- Engine hours are judged as odometers are.
ALTER TABLE meter_reading ADD COLUMN hours_verdict VARCHAR;   -- 'used' | 'corrected' | 'set aside'; NULL: no hours
ALTER TABLE meter_reading ADD COLUMN hours_why VARCHAR;
ALTER TABLE meter_reading ADD COLUMN hours DOUBLE;            -- believed; runs on through swaps, as distance does

-- How each vehicle runs up distance, so that one without a reading can be told what is likely.
-- The sums are of leave-one-out residuals: how far a reading lies from the straight line between
-- those next to it (near) or four places off (far), r in the distance unit, with
-- h = (t - a)(b - t)/(b - a) in days.
CREATE TABLE vehicle_pace (
    vin       VARCHAR NOT NULL,
    per_day   DOUBLE NOT NULL,        -- over the last over_days before the last reading
    over_days INTEGER NOT NULL,
    near_n    INTEGER NOT NULL,
    near_rr   DOUBLE NOT NULL,
    near_h    DOUBLE NOT NULL,
    near_hh   DOUBLE NOT NULL,
    far_rr    DOUBLE NOT NULL,
    far_h     DOUBLE NOT NULL,
    far_hh    DOUBLE NOT NULL
);
