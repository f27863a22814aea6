-- More of what a part stands, and the parts that rigs are put together from. A value of 0 is not known.
ALTER TABLE rig_parts ADD COLUMN tolerance_pct   REAL NOT NULL DEFAULT 0;  -- of the ohms, to either side
ALTER TABLE rig_parts ADD COLUMN rated_v         REAL NOT NULL DEFAULT 0;  -- volts that it may break; of a lamp those it is made for
ALTER TABLE rig_parts ADD COLUMN overload_factor REAL NOT NULL DEFAULT 0;  -- times its rated heat, that it stands
ALTER TABLE rig_parts ADD COLUMN overload_s      REAL NOT NULL DEFAULT 0;  -- for so many seconds
ALTER TABLE rig_parts ADD COLUMN tau_s           REAL NOT NULL DEFAULT 0;  -- time constant of its warming, seconds
ALTER TABLE rig_parts ADD COLUMN interval_s      REAL NOT NULL DEFAULT 0;  -- of an instrument, between two readings
ALTER TABLE rig_parts ADD COLUMN fuse_a          REAL NOT NULL DEFAULT 0;  -- amperes, rating of the fuse inside an instrument
ALTER TABLE rig_parts ADD COLUMN make_a          REAL NOT NULL DEFAULT 0;  -- amperes that a contact may close on
ALTER TABLE rig_parts ADD COLUMN break_a         REAL NOT NULL DEFAULT 0;  -- amperes that a contact or fuse may open
ALTER TABLE rig_parts ADD COLUMN insulation      TEXT NOT NULL DEFAULT ''; -- of a lead; empty: PVC
ALTER TABLE rig_parts ADD COLUMN start_c         REAL NOT NULL DEFAULT 0;  -- of a lead before the test; 0: 30
ALTER TABLE rig_parts ADD COLUMN end_c           REAL NOT NULL DEFAULT 0;  -- that a lead may get to in 5 s at most; 0: by its insulation
ALTER TABLE rig_parts ADD COLUMN melting_a2s     REAL NOT NULL DEFAULT 0;  -- A²s that melts a fuse
ALTER TABLE rig_parts ADD COLUMN fuse_sheet      TEXT NOT NULL DEFAULT ''; -- standard and sheet that a fuse is made by

CREATE TABLE parts (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    kind            TEXT NOT NULL,            -- as in rig_parts, and the rest too
    name            TEXT NOT NULL COLLATE NOCASE UNIQUE,
    ohm             REAL NOT NULL DEFAULT 0,
    rated_a         REAL NOT NULL DEFAULT 0,
    rated_w         REAL NOT NULL DEFAULT 0,
    full_scale_a    REAL NOT NULL DEFAULT 0,
    max_on_s        REAL NOT NULL DEFAULT 0,
    rest_s          REAL NOT NULL DEFAULT 0,
    length_m        REAL NOT NULL DEFAULT 0,
    area_mm2        REAL NOT NULL DEFAULT 0,
    material        TEXT NOT NULL DEFAULT '',
    note            TEXT NOT NULL DEFAULT '',
    tolerance_pct   REAL NOT NULL DEFAULT 0,
    rated_v         REAL NOT NULL DEFAULT 0,
    overload_factor REAL NOT NULL DEFAULT 0,
    overload_s      REAL NOT NULL DEFAULT 0,
    tau_s           REAL NOT NULL DEFAULT 0,
    interval_s      REAL NOT NULL DEFAULT 0,
    fuse_a          REAL NOT NULL DEFAULT 0,
    make_a          REAL NOT NULL DEFAULT 0,
    break_a         REAL NOT NULL DEFAULT 0,
    insulation      TEXT NOT NULL DEFAULT '',
    start_c         REAL NOT NULL DEFAULT 0,
    end_c           REAL NOT NULL DEFAULT 0,
    melting_a2s     REAL NOT NULL DEFAULT 0,
    fuse_sheet      TEXT NOT NULL DEFAULT '',
    count           INTEGER NOT NULL DEFAULT 0, -- how many there are; 0: not said
    price           REAL NOT NULL DEFAULT 0     -- of one
) STRICT;

-- The rig of a run as it was then, part by part. The one on the shelf goes on and changes.
ALTER TABLE runs ADD COLUMN built TEXT; -- JSON; NULL: not known
