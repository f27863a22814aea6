-- What units feed, what stands between their terminals in a test, and what they are judged by. A value of 0
-- is not known.

CREATE TABLE loads (
    id               INTEGER PRIMARY KEY AUTOINCREMENT,
    name             TEXT NOT NULL COLLATE NOCASE UNIQUE,
    kind             TEXT NOT NULL DEFAULT '', -- motor, wire, other
    running_a        REAL NOT NULL DEFAULT 0,  -- amperes in use
    stall_a          REAL NOT NULL DEFAULT 0,  -- amperes when blocked
    continuous_a     REAL NOT NULL DEFAULT 0,  -- amperes that it stands for ever
    withstand_a2s    REAL NOT NULL DEFAULT 0,  -- A²s that it stands once without passing heat on
    wire_diameter_mm REAL NOT NULL DEFAULT 0,  -- bare
    insulation_class TEXT NOT NULL DEFAULT '', -- letter of IEC 60085
    note             TEXT NOT NULL DEFAULT ''
) STRICT;

-- The weakest load that a unit feeds.
ALTER TABLE units ADD COLUMN load_id INTEGER REFERENCES loads (id);
CREATE INDEX units_by_load ON units (load_id);

CREATE TABLE rigs (
    id   INTEGER PRIMARY KEY AUTOINCREMENT,
    name TEXT NOT NULL COLLATE NOCASE UNIQUE,
    note TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE TABLE rig_parts (
    rig          INTEGER NOT NULL REFERENCES rigs (id) ON DELETE CASCADE,
    place        INTEGER NOT NULL,         -- in the order the current takes, from 1
    kind         TEXT NOT NULL,            -- instrument, shunt, lead, contact, resistor, fuse, other
    name         TEXT NOT NULL DEFAULT '',
    ohm          REAL NOT NULL DEFAULT 0,  -- ohms; of an instrument its burden
    rated_a      REAL NOT NULL DEFAULT 0,  -- amperes that it may carry; of a fuse its rating
    rated_w      REAL NOT NULL DEFAULT 0,  -- watts for ever
    full_scale_a REAL NOT NULL DEFAULT 0,  -- amperes, of an instrument
    max_on_s     REAL NOT NULL DEFAULT 0,  -- the longest it may stay on, seconds
    rest_s       REAL NOT NULL DEFAULT 0,  -- the rest it then needs, seconds
    length_m     REAL NOT NULL DEFAULT 0,  -- of a lead, there and back
    area_mm2     REAL NOT NULL DEFAULT 0,  -- of a lead
    material     TEXT NOT NULL DEFAULT '', -- of a lead
    note         TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (rig, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE criteria (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    name    TEXT NOT NULL COLLATE NOCASE UNIQUE,
    version INTEGER NOT NULL, -- from 1; every change makes another
    made    TEXT NOT NULL,    -- time of day
    text    TEXT NOT NULL,    -- as a person writes it
    note    TEXT NOT NULL DEFAULT ''
) STRICT;

-- The versions that another one took the place of.
CREATE TABLE criteria_versions (
    criteria INTEGER NOT NULL REFERENCES criteria (id) ON DELETE CASCADE,
    version  INTEGER NOT NULL,
    name     TEXT NOT NULL,
    made     TEXT NOT NULL,
    text     TEXT NOT NULL,
    PRIMARY KEY (criteria, version)
) STRICT, WITHOUT ROWID;
