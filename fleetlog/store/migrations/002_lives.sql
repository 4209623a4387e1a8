-- What lives are built into: rebuilt for the touched vehicles in the transaction of each load.

-- Every odometer reading of a vehicle, judged. distance runs on through cluster swaps.
CREATE TABLE meter_reading (
    vin          VARCHAR NOT NULL,
    read_on      DATE NOT NULL,
    odometer     INTEGER,
    engine_hours DOUBLE,
    source       VARCHAR NOT NULL,
    ro_id        BIGINT,
    verdict      VARCHAR NOT NULL CHECK (verdict IN ('used', 'corrected', 'set aside')),
    why          VARCHAR,
    segment      SMALLINT NOT NULL,
    distance     INTEGER,
    load_id      INTEGER NOT NULL,
    file_row     BIGINT NOT NULL
);

-- How long each vehicle was watched, on both clocks. Ages count from its own start of service.
CREATE TABLE vehicle_span (
    vin                VARCHAR NOT NULL,
    engine_family      VARCHAR NOT NULL,
    in_service_on      DATE NOT NULL,
    start_distance     INTEGER NOT NULL,
    entry_on           DATE NOT NULL,
    entry_distance     INTEGER NOT NULL,       -- vehicle distance, not age
    exit_on            DATE NOT NULL,
    exit_distance      INTEGER NOT NULL,
    generation_assumed BOOLEAN NOT NULL,       -- not watched from new: earlier renewals are unknown
    exit_known_from    VARCHAR NOT NULL        -- 'retirement' | 'last reading'
);

-- How far the vehicle of each order had gone; estimated where the order has no believed reading.
CREATE TABLE order_distance (
    ro_id              BIGINT NOT NULL,
    vin                VARCHAR NOT NULL,
    done_on            DATE NOT NULL,
    distance           INTEGER,                -- NULL where nothing is known to estimate it from
    distance_estimated BOOLEAN NOT NULL
);

-- What each line did, and at which positions; assumed where the line did not name them.
CREATE TABLE position_event (
    ro_id             BIGINT NOT NULL,
    line_no           INTEGER NOT NULL,
    vin               VARCHAR NOT NULL,
    component         VARCHAR NOT NULL,
    positions         SMALLINT[] NOT NULL,     -- ordinals
    position_assumed  BOOLEAN NOT NULL,
    done_on           DATE NOT NULL,
    distance          INTEGER NOT NULL,
    distance_estimated BOOLEAN NOT NULL,
    ends_life         BOOLEAN NOT NULL
);

-- Lives of every component that some line of the vehicle touched. The untouched ones are not
-- stored: they follow from vehicle_span and component_position (see lives/sql).
CREATE TABLE life (
    vin                VARCHAR NOT NULL,
    component          VARCHAR NOT NULL,
    generation         SMALLINT NOT NULL,
    positions          SMALLINT[] NOT NULL,    -- ordinals that share this very life
    weight             SMALLINT NOT NULL,      -- their number
    begun_by           VARCHAR NOT NULL,       -- 'factory' | 'replaced' | 'repaired'
    generation_assumed BOOLEAN NOT NULL,
    position_assumed   BOOLEAN NOT NULL,
    entry_distance     INTEGER NOT NULL,       -- ages
    exit_distance      INTEGER NOT NULL,
    entry_days         INTEGER NOT NULL,
    exit_days          INTEGER NOT NULL,
    ended_by           VARCHAR NOT NULL,       -- a reason, or 'still fitted'
    failure_mode       VARCHAR,
    last_good_distance INTEGER,                -- age at the last inspection that found it good,
    last_good_days     INTEGER,                -- where the failure was found by an inspection
    distance_estimated BOOLEAN NOT NULL,
    part_maker         VARCHAR,                -- of the part that lived; NULL: as the factory fitted it
    part_lot           VARCHAR,
    part_no            VARCHAR,
    fitted_ro          BIGINT,
    fitted_line        INTEGER,
    ended_ro           BIGINT,
    ended_line         INTEGER
);

CREATE TABLE left_out_line (
    ro_id     BIGINT NOT NULL,
    line_no   INTEGER NOT NULL,
    vin       VARCHAR NOT NULL,
    component VARCHAR,
    why       VARCHAR NOT NULL
);
