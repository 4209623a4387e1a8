-- Rows that tell of several lines, workbooks of several sheets, corrections of held rows.

-- A row of a file may hold several lines: parts listed in one cell, or told in one narrative.
DROP VIEW repair_line;
ALTER TABLE loaded_repair_line RENAME TO earlier_repair_line;

CREATE TABLE loaded_repair_line (
    load_id                 INTEGER NOT NULL,
    file_row                BIGINT NOT NULL,
    row_part                SMALLINT NOT NULL CHECK (row_part > 0),   -- which of the row's lines, from 1
    superseded_by           INTEGER,
    ro_id                   BIGINT NOT NULL,
    line_no                 INTEGER NOT NULL,
    description             VARCHAR,               -- the part or job as the shop wrote it
    component               VARCHAR,               -- NULL where the text could not be coded surely
    bank                    SMALLINT,
    cylinder                SMALLINT,
    side                    VARCHAR CHECK (side IN ('intake', 'exhaust', 'left', 'right')),
    slot                    SMALLINT,
    action                  VARCHAR CHECK (action IN ('replaced', 'repaired', 'adjusted', 'inspected', 'cleaned')),
    reason                  VARCHAR NOT NULL CHECK (reason IN
                                ('failed', 'planned', 'while-apart', 'campaign', 'broke-in-work', 'unknown')),
    failure_mode            VARCHAR,
    part_no                 VARCHAR,
    part_maker              VARCHAR,
    part_lot                VARCHAR,
    qty                     DOUBLE CHECK (qty > 0),
    labour_h                DOUBLE CHECK (labour_h >= 0),
    cost                    DECIMAL(12, 2),
    coded_from              VARCHAR NOT NULL CHECK (coded_from IN ('columns', 'text', 'nothing')),
    coding_confidence       DOUBLE NOT NULL CHECK (coding_confidence BETWEEN 0 AND 1),  -- of the component
    -- Of what was read out of a narrative; NULL where a column of its own says it, or nothing does.
    position_confidence     DOUBLE CHECK (position_confidence BETWEEN 0 AND 1),
    action_confidence       DOUBLE CHECK (action_confidence BETWEEN 0 AND 1),
    reason_confidence       DOUBLE CHECK (reason_confidence BETWEEN 0 AND 1),
    failure_mode_confidence DOUBLE CHECK (failure_mode_confidence BETWEEN 0 AND 1),
    PRIMARY KEY (load_id, file_row, row_part)
);

INSERT INTO loaded_repair_line BY NAME SELECT *, 1 AS row_part FROM earlier_repair_line;
DROP TABLE earlier_repair_line;
CREATE VIEW repair_line AS SELECT * EXCLUDE (superseded_by) FROM loaded_repair_line WHERE superseded_by IS NULL;

-- The sheets of a workbook, one under the other: how many rows stand before each.
ALTER TABLE load ADD COLUMN sheets STRUCT("name" VARCHAR, rows_before BIGINT)[];

-- A load that brings corrected rows of another one back in, and what was changed in them.
ALTER TABLE load ADD COLUMN corrects INTEGER;
ALTER TABLE held_row ADD COLUMN settled_by INTEGER;   -- the load that brought the row in after all
CREATE TABLE correction (
    load_id      INTEGER NOT NULL,             -- the load that brought the correction
    of_load      INTEGER NOT NULL,
    file_row     BIGINT NOT NULL,
    "column"     VARCHAR NOT NULL,
    was          VARCHAR,
    became       VARCHAR,
    corrected_by VARCHAR NOT NULL,
    corrected_at TIMESTAMP NOT NULL
);

-- How far off the distance of an order may be, where it is estimated: one standard error.
ALTER TABLE order_distance ADD COLUMN distance_error DOUBLE;
