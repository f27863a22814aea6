-- Units, runs and what was derived from them. Times of day are RFC 3339 with offset. Times within a
-- run are on the run's own time base: 0 is its first kept sample, pre-record included. Quantities
-- carry their unit in the column's name.

CREATE TABLE units (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    name            TEXT NOT NULL COLLATE NOCASE UNIQUE,
    rated_voltage_v REAL NOT NULL DEFAULT 0,  -- volts on the plate, 0: unknown
    rated_current_a REAL NOT NULL DEFAULT 0,  -- amperes on the plate, 0: unknown
    waveform        TEXT NOT NULL DEFAULT '', -- dc, full-wave, half-wave, pwm or empty: unknown
    note            TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE TABLE instruments (
    id     INTEGER PRIMARY KEY AUTOINCREMENT,
    name   TEXT NOT NULL COLLATE NOCASE UNIQUE,
    format TEXT NOT NULL DEFAULT '', -- text, scpi, modbus, frame, codes, hand
    port   TEXT NOT NULL DEFAULT '',
    spec   TEXT NOT NULL DEFAULT ''  -- as a person gave it: options, accuracy, calibration
) STRICT;

CREATE TABLE runs (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    uuid            TEXT NOT NULL UNIQUE, -- the same run on another machine has the same one
    unit_id         INTEGER REFERENCES units (id) ON DELETE SET NULL,
    unit            TEXT NOT NULL DEFAULT '', -- the unit and its plate as they were at the test
    rated_voltage_v REAL NOT NULL DEFAULT 0,  -- volts
    rated_current_a REAL NOT NULL DEFAULT 0,  -- amperes
    waveform        TEXT NOT NULL DEFAULT '',
    output          TEXT NOT NULL DEFAULT '', -- of a unit with several
    setting         TEXT NOT NULL DEFAULT '', -- how far its control was turned up, empty: full
    rig             TEXT NOT NULL DEFAULT '',
    procedure       TEXT NOT NULL DEFAULT '', -- short, ramp, steps, overload, carry
    hold_s          REAL NOT NULL DEFAULT 0,  -- seconds
    settings        TEXT NOT NULL DEFAULT '{}', -- JSON: everything the derivation depended on
    instruments     TEXT NOT NULL DEFAULT '[]', -- JSON: as they were set up during the run
    started         TEXT NOT NULL,            -- time of day at the run's time 0
    started_ms      INTEGER NOT NULL,         -- the same in milliseconds since 1970, to sort by
    ended           TEXT,                     -- time of day
    origin_ns       INTEGER NOT NULL DEFAULT 0, -- the run's time 0 on the recording program's clock
    opened_ns       INTEGER NOT NULL DEFAULT 0, -- when it opened, after its pre-record
    zero_ns         INTEGER NOT NULL DEFAULT 0, -- the instant people count from: onset, else opening
    end_ns          INTEGER NOT NULL DEFAULT 0,
    progress        TEXT NOT NULL DEFAULT 'open' CHECK (progress IN ('open', 'complete', 'interrupted')),
    interruption    TEXT NOT NULL DEFAULT '', -- why it was cut short
    exclusion       TEXT,                     -- why a person left it out, NULL: it counts
    state           TEXT GENERATED ALWAYS AS (CASE WHEN exclusion IS NULL THEN progress ELSE 'excluded' END) VIRTUAL,
    note            TEXT NOT NULL DEFAULT '',
    lost            INTEGER NOT NULL DEFAULT 0, -- samples that could not be kept or never arrived
    garbled         INTEGER NOT NULL DEFAULT 0, -- lines or frames that were no reading
    duplicate       INTEGER NOT NULL DEFAULT 0, -- readings received twice
    version         TEXT NOT NULL DEFAULT '', -- of the program that recorded it
    derivation_id   INTEGER REFERENCES derivations (id) ON DELETE SET NULL -- the current one
) STRICT;
CREATE INDEX runs_by_start ON runs (started_ms);
CREATE INDEX runs_by_unit ON runs (unit_id);
CREATE INDEX runs_open ON runs (progress) WHERE progress = 'open';
CREATE INDEX runs_by_derivation ON runs (derivation_id);

-- Numbers of runs that a recording program has in hand, so that it need not ask when one begins.
CREATE TABLE reserved_runs (run INTEGER PRIMARY KEY) STRICT;

CREATE TABLE derivations (
    id                 INTEGER PRIMARY KEY AUTOINCREMENT,
    run                INTEGER NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    made               TEXT NOT NULL,            -- time of day
    origin             TEXT NOT NULL,            -- live, interrupted, again
    version            TEXT NOT NULL DEFAULT '', -- of the program that made it
    settings           TEXT NOT NULL,            -- JSON: what it was made with
    behaviour          TEXT NOT NULL DEFAULT '', -- latching, auto_retry, hiccup, fold_back, limited, ...
    apparent_behaviour TEXT NOT NULL DEFAULT '',
    recovery           TEXT NOT NULL DEFAULT '', -- by_itself, needs_reset, not_tested
    result             TEXT NOT NULL             -- JSON: all of it, times on the run's time base
) STRICT;
CREATE INDEX derivations_by_run ON derivations (run);

CREATE TABLE figures (
    derivation INTEGER NOT NULL REFERENCES derivations (id) ON DELETE CASCADE,
    place      INTEGER NOT NULL,         -- in the order a person reads them
    key        TEXT NOT NULL,            -- its unit is the end of its name: time_to_cutoff_s
    value      REAL,                     -- NULL: not resolved or not applicable
    u          REAL,                     -- expanded uncertainty, same unit
    bound      TEXT NOT NULL,            -- exact, at_most, at_least, not_resolved, not_applicable
    text       TEXT NOT NULL DEFAULT '', -- as a person reads it
    why        TEXT NOT NULL DEFAULT '', -- why it is a bound or has no value
    PRIMARY KEY (derivation, key)
) STRICT, WITHOUT ROWID;
CREATE INDEX figures_by_key ON figures (key, value);

CREATE TABLE marks (
    id          INTEGER PRIMARY KEY,
    run         INTEGER NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    derivation  INTEGER REFERENCES derivations (id) ON DELETE CASCADE, -- NULL: made while the run was recorded
    mark        INTEGER NOT NULL,         -- tells one mark of a run from another
    kind        TEXT NOT NULL,            -- applied, onset, limited, cut_off, retry_on, retry_off, removed, restored, note
    t_s         REAL NOT NULL,            -- seconds on the run's time base
    u_s         REAL NOT NULL DEFAULT 0,  -- expanded uncertainty, seconds
    by          TEXT NOT NULL DEFAULT '', -- detector, contact, hand
    text        TEXT NOT NULL DEFAULT '',
    level_a     REAL NOT NULL DEFAULT 0,  -- the current that came with it, amperes
    provisional INTEGER NOT NULL DEFAULT 0,
    withdrawn   INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE UNIQUE INDEX marks_recorded ON marks (run, mark) WHERE derivation IS NULL;
CREATE INDEX marks_by_run ON marks (run);
CREATE INDEX marks_by_derivation ON marks (derivation);

CREATE TABLE channels (
    id         INTEGER PRIMARY KEY,
    run        INTEGER NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    instrument TEXT NOT NULL,              -- its name
    quantity   TEXT NOT NULL,              -- current, voltage
    unit       TEXT NOT NULL,              -- A, V
    n          INTEGER NOT NULL DEFAULT 0, -- samples
    t0_ns      INTEGER NOT NULL DEFAULT 0, -- time of the earliest and latest sample
    t1_ns      INTEGER NOT NULL DEFAULT 0,
    in_order   INTEGER NOT NULL DEFAULT 1, -- 0: some sample is earlier than the one before it
    UNIQUE (run, instrument, quantity)
) STRICT;

-- Samples, packed. A run is recorded in small chunks, which are replaced by full ones as it grows.
CREATE TABLE chunks (
    id      INTEGER PRIMARY KEY,
    channel INTEGER NOT NULL REFERENCES channels (id) ON DELETE CASCADE,
    first   INTEGER NOT NULL, -- the first sample's place in the channel, from 0
    n       INTEGER NOT NULL, -- samples
    t0_ns   INTEGER NOT NULL, -- earliest and latest time in it
    t1_ns   INTEGER NOT NULL,
    min     REAL,             -- A or V; NULL: no number in it
    max     REAL,
    data    BLOB NOT NULL     -- the first byte is the codec
) STRICT;
CREATE UNIQUE INDEX chunks_in_order ON chunks (channel, first);
CREATE INDEX chunks_by_time ON chunks (channel, t0_ns);

-- Least, largest and mean of 64 samples (level 1), of 64 * 64 (level 2) and so on, packed, so that
-- a picture of any stretch needs no samples that it does not show.
CREATE TABLE overview (
    id      INTEGER PRIMARY KEY,
    channel INTEGER NOT NULL REFERENCES channels (id) ON DELETE CASCADE,
    level   INTEGER NOT NULL,
    first   INTEGER NOT NULL, -- as in chunks
    n       INTEGER NOT NULL, -- samples that it stands for
    t0_ns   INTEGER NOT NULL,
    t1_ns   INTEGER NOT NULL,
    data    BLOB NOT NULL
) STRICT;
CREATE UNIQUE INDEX overview_in_order ON overview (channel, level, first);
CREATE INDEX overview_by_time ON overview (channel, level, t0_ns);

-- For a person's questions: runs with what was derived last, figures and marks in plain words.
-- Times of marks count from the run's zero.
CREATE VIEW runs_view AS
SELECT r.id AS run, r.unit, r.output, r.setting, r.procedure, r.state, r.started, r.hold_s,
       (r.end_ns - r.zero_ns) / 1e9 AS recorded_after_zero_s,
       d.behaviour, d.apparent_behaviour, d.recovery,
       r.rated_voltage_v, r.rated_current_a, r.waveform,
       coalesce(r.exclusion, r.interruption) AS reason, r.note, r.lost, r.garbled, r.duplicate, r.uuid
FROM runs r LEFT JOIN derivations d ON d.id = r.derivation_id;

CREATE VIEW figures_view AS
SELECT r.id AS run, r.unit, r.procedure, r.state, f.key AS figure, f.value, f.u, f.bound, f.text, f.why
FROM runs r JOIN figures f ON f.derivation = r.derivation_id
ORDER BY r.id, f.place;

CREATE VIEW marks_view AS
SELECT r.id AS run, r.unit, m.kind, m.t_s - r.zero_ns / 1e9 AS t_s, m.u_s, m.by, m.level_a, m.text
FROM runs r JOIN marks m ON m.run = r.id
WHERE m.derivation IS r.derivation_id AND NOT m.withdrawn
ORDER BY r.id, m.t_s;
