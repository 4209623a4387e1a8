-- What was loaded, and what is derived from it.
--
-- loaded_* tables hold every row that a load brought, for ever: a later load that changes a
-- row marks the earlier one as superseded and never overwrites it. The view without the prefix
-- shows the present state. To undo a load is therefore to delete its rows and to un-mark what
-- they had superseded.
--
-- There are no foreign keys: DuckDB refuses to delete a parent and its children in one
-- transaction, which undoing a load needs. The load checks references before it commits.

CREATE TABLE store_info (
    only_row      BOOLEAN PRIMARY KEY DEFAULT true CHECK (only_row),
    distance_unit VARCHAR NOT NULL CHECK (distance_unit IN ('mi', 'km')),
    currency      VARCHAR NOT NULL CHECK (regexp_full_match(currency, '[A-Z]{3}')),
    created_at    TIMESTAMP NOT NULL,
    revision      BIGINT NOT NULL DEFAULT 0 CHECK (revision >= 0)
);

CREATE TABLE load (
    load_id        INTEGER PRIMARY KEY CHECK (load_id > 0),
    kind           VARCHAR NOT NULL,
    file_name      VARCHAR NOT NULL,
    sha256         VARCHAR NOT NULL CHECK (length(sha256) = 64),
    loaded_at      TIMESTAMP NOT NULL,
    loaded_by      VARCHAR NOT NULL,
    headings       VARCHAR[] NOT NULL,
    column_map     VARCHAR NOT NULL,            -- the map as used, JSON: field -> heading and conventions
    rows_read      BIGINT NOT NULL CHECK (rows_read >= 0),
    rows_kept      BIGINT NOT NULL CHECK (rows_kept >= 0),
    rows_held      BIGINT NOT NULL CHECK (rows_held >= 0),
    rows_identical BIGINT NOT NULL CHECK (rows_identical >= 0),
    CHECK (rows_read = rows_kept + rows_held + rows_identical)
);

CREATE TABLE undone_load (
    load_id   INTEGER NOT NULL,
    kind      VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    sha256    VARCHAR NOT NULL,
    undone_at TIMESTAMP NOT NULL,
    undone_by VARCHAR NOT NULL
);

-- The row of the file as it stood, for every row kept or held.
CREATE TABLE source_row (
    load_id  INTEGER NOT NULL,
    file_row BIGINT NOT NULL CHECK (file_row > 0),
    cells    VARCHAR[] NOT NULL
);

CREATE TABLE held_row (
    load_id  INTEGER NOT NULL,
    file_row BIGINT NOT NULL CHECK (file_row > 0),
    problems STRUCT("column" VARCHAR, "value" VARCHAR, problem VARCHAR, remedy VARCHAR)[] NOT NULL
);

-- Whatever was read otherwise than it was written: a cell, what it became, and why.
CREATE TABLE row_note (
    load_id  INTEGER NOT NULL,
    file_row BIGINT NOT NULL,
    "column" VARCHAR NOT NULL,
    was      VARCHAR,
    became   VARCHAR,
    why      VARCHAR NOT NULL
);

CREATE TABLE loaded_engine_family (
    load_id             INTEGER NOT NULL,
    file_row            BIGINT NOT NULL,
    superseded_by       INTEGER,
    code                VARCHAR NOT NULL,
    title               VARCHAR NOT NULL,
    cylinders           SMALLINT NOT NULL CHECK (cylinders BETWEEN 0 AND 16),
    banks               SMALLINT NOT NULL CHECK (banks BETWEEN 0 AND 2),
    cylinder_banks      SMALLINT[] NOT NULL,
    intake_valves       SMALLINT NOT NULL CHECK (intake_valves BETWEEN 0 AND 3),
    exhaust_valves      SMALLINT NOT NULL CHECK (exhaust_valves BETWEEN 0 AND 3),
    camshafts_per_bank  SMALLINT NOT NULL CHECK (camshafts_per_bank BETWEEN 0 AND 2),
    camshaft_location   VARCHAR NOT NULL CHECK (camshaft_location IN ('head', 'block')),
    fuel                VARCHAR NOT NULL CHECK (fuel IN ('petrol', 'diesel', 'gas', 'electric')),
    displacement_l      DOUBLE CHECK (displacement_l > 0),
    PRIMARY KEY (code, load_id)
);

CREATE TABLE loaded_vehicle (
    load_id                INTEGER NOT NULL,
    file_row               BIGINT NOT NULL,
    superseded_by          INTEGER,
    vin                    VARCHAR NOT NULL CHECK (length(vin) = 17),
    unit_no                VARCHAR,
    plate                  VARCHAR,
    engine_family          VARCHAR NOT NULL,
    model_year             SMALLINT CHECK (model_year BETWEEN 1980 AND 2100),
    duty                   VARCHAR,
    depot                  VARCHAR,
    in_service_on          DATE NOT NULL,
    in_service_odometer    INTEGER NOT NULL CHECK (in_service_odometer >= 0),
    observed_from_on       DATE NOT NULL,
    observed_from_odometer INTEGER NOT NULL CHECK (observed_from_odometer >= 0),
    retired_on             DATE,
    retired_odometer       INTEGER CHECK (retired_odometer >= 0),
    CHECK (observed_from_on >= in_service_on),
    CHECK (observed_from_odometer >= in_service_odometer),
    CHECK (retired_on IS NULL OR retired_on >= observed_from_on),
    PRIMARY KEY (vin, load_id)
);

-- Odometer readings that do not come from a repair order: fuelling, inspections, telematics.
CREATE TABLE loaded_meter (
    load_id       INTEGER NOT NULL,
    file_row      BIGINT NOT NULL,
    superseded_by INTEGER,
    vin           VARCHAR NOT NULL,
    read_on       DATE NOT NULL,
    odometer      INTEGER CHECK (odometer >= 0),
    engine_hours  DOUBLE CHECK (engine_hours >= 0),
    source        VARCHAR NOT NULL,
    CHECK (odometer IS NOT NULL OR engine_hours IS NOT NULL)
);

CREATE TABLE loaded_service_rule (
    load_id         INTEGER NOT NULL,
    file_row        BIGINT NOT NULL,
    superseded_by   INTEGER,
    engine_family   VARCHAR NOT NULL,
    task            VARCHAR NOT NULL,
    component       VARCHAR,
    every_distance  INTEGER CHECK (every_distance > 0),
    every_days      INTEGER CHECK (every_days > 0),
    every_hours     INTEGER CHECK (every_hours > 0),
    origin          VARCHAR NOT NULL CHECK (origin IN ('maker', 'legal', 'analysed')),
    safety_critical BOOLEAN NOT NULL,
    CHECK (coalesce(every_distance, every_days, every_hours) IS NOT NULL),
    PRIMARY KEY (engine_family, task, origin, load_id)
);

CREATE TABLE loaded_repair_order (
    load_id          INTEGER NOT NULL,
    file_row         BIGINT NOT NULL,
    superseded_by    INTEGER,
    ro_id            BIGINT NOT NULL,
    shop             VARCHAR NOT NULL,
    ro_no            VARCHAR NOT NULL,
    vin              VARCHAR NOT NULL,
    opened_on        DATE NOT NULL,
    closed_on        DATE,
    odometer         INTEGER CHECK (odometer >= 0),
    odometer_written VARCHAR,
    engine_hours     DOUBLE CHECK (engine_hours >= 0),
    technician       VARCHAR,
    complaint        VARCHAR,
    cause            VARCHAR,
    correction       VARCHAR,
    fault_codes      VARCHAR[] NOT NULL,
    road_tested      BOOLEAN,
    codes_cleared    BOOLEAN,
    downtime_h       DOUBLE CHECK (downtime_h >= 0),
    labour_h         DOUBLE CHECK (labour_h >= 0),
    labour_cost      DECIMAL(12, 2),
    parts_cost       DECIMAL(12, 2),
    CHECK (closed_on IS NULL OR closed_on >= opened_on),
    PRIMARY KEY (ro_id, load_id)
);

CREATE TABLE loaded_repair_line (
    load_id           INTEGER NOT NULL,
    file_row          BIGINT NOT NULL,
    superseded_by     INTEGER,
    ro_id             BIGINT NOT NULL,
    line_no           INTEGER NOT NULL,
    description       VARCHAR,               -- the part or job as the shop wrote it
    component         VARCHAR,               -- NULL where the text could not be coded surely
    bank              SMALLINT,
    cylinder          SMALLINT,
    side              VARCHAR CHECK (side IN ('intake', 'exhaust', 'left', 'right')),
    slot              SMALLINT,
    action            VARCHAR CHECK (action IN ('replaced', 'repaired', 'adjusted', 'inspected', 'cleaned')),
    reason            VARCHAR NOT NULL CHECK (reason IN
                          ('failed', 'planned', 'while-apart', 'campaign', 'broke-in-work', 'unknown')),
    failure_mode      VARCHAR,
    part_no           VARCHAR,
    part_maker        VARCHAR,
    part_lot          VARCHAR,
    qty               DOUBLE CHECK (qty > 0),
    labour_h          DOUBLE CHECK (labour_h >= 0),
    cost              DECIMAL(12, 2),
    coded_from        VARCHAR NOT NULL CHECK (coded_from IN ('columns', 'text', 'nothing')),
    coding_confidence DOUBLE NOT NULL CHECK (coding_confidence BETWEEN 0 AND 1),
    PRIMARY KEY (load_id, file_row)
);

CREATE TABLE loaded_torque_record (
    load_id       INTEGER NOT NULL,
    file_row      BIGINT NOT NULL,
    superseded_by INTEGER,
    ro_id         BIGINT NOT NULL,
    fastener      VARCHAR NOT NULL,
    value         DOUBLE NOT NULL CHECK (value > 0),       -- as written, in unit
    unit          VARCHAR NOT NULL CHECK (unit IN ('in-lb', 'ft-lb', 'N m')),
    newton_metres DOUBLE NOT NULL CHECK (newton_metres > 0),
    PRIMARY KEY (ro_id, fastener, load_id)
);

CREATE VIEW engine_family AS SELECT * EXCLUDE (superseded_by) FROM loaded_engine_family WHERE superseded_by IS NULL;
CREATE VIEW vehicle AS SELECT * EXCLUDE (superseded_by) FROM loaded_vehicle WHERE superseded_by IS NULL;
CREATE VIEW meter AS SELECT * EXCLUDE (superseded_by) FROM loaded_meter WHERE superseded_by IS NULL;
CREATE VIEW service_rule AS SELECT * EXCLUDE (superseded_by) FROM loaded_service_rule WHERE superseded_by IS NULL;
CREATE VIEW repair_order AS SELECT * EXCLUDE (superseded_by) FROM loaded_repair_order WHERE superseded_by IS NULL;
CREATE VIEW torque_record AS SELECT * EXCLUDE (superseded_by) FROM loaded_torque_record WHERE superseded_by IS NULL;
CREATE VIEW repair_line AS SELECT * EXCLUDE (superseded_by) FROM loaded_repair_line WHERE superseded_by IS NULL;

-- The catalogue as it was when the store was last written, so that SQL can join on it.
CREATE TABLE component (
    code            VARCHAR PRIMARY KEY,
    system          VARCHAR NOT NULL,
    title           VARCHAR NOT NULL,
    position_rule   VARCHAR NOT NULL,
    access_group    VARCHAR,
    safety_critical BOOLEAN NOT NULL
);

CREATE TABLE component_position (
    engine_family VARCHAR NOT NULL,
    component     VARCHAR NOT NULL,
    ordinal       SMALLINT NOT NULL,
    bank          SMALLINT,
    cylinder      SMALLINT,
    side          VARCHAR,
    slot          SMALLINT,
    PRIMARY KEY (engine_family, component, ordinal)
);
