-- Instruments that a person added are kept and opened at the next start; others are only remembered, as
-- they were when they last took part in a run.
ALTER TABLE instruments ADD COLUMN kept INTEGER NOT NULL DEFAULT 0;
ALTER TABLE instruments ADD COLUMN note TEXT NOT NULL DEFAULT '';

-- What makes an instrument's readings right: true = offset + gain * shown. Amperes or volts. The one with
-- no end is in force. Runs keep their own copy in their settings; samples are stored as they were shown.
CREATE TABLE calibrations (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    instrument INTEGER NOT NULL REFERENCES instruments (id) ON DELETE CASCADE,
    quantity   TEXT NOT NULL,           -- current, voltage
    made       TEXT NOT NULL,           -- time of day
    ended      TEXT,                    -- when another took its place or a person took it back
    offset     REAL NOT NULL,           -- A or V
    gain       REAL NOT NULL,
    u_offset   REAL NOT NULL DEFAULT 0, -- expanded uncertainty, A or V
    u_gain     REAL NOT NULL DEFAULT 0, -- expanded uncertainty
    covariance REAL NOT NULL DEFAULT 0, -- of the two, on the scale of half the expanded uncertainties
    residual_s REAL NOT NULL DEFAULT 0, -- standard deviation of the pairs about the line, A or V
    n          INTEGER NOT NULL,        -- pairs
    least      REAL NOT NULL DEFAULT 0, -- true value of the pairs, A or V
    most       REAL NOT NULL DEFAULT 0,
    pairs      TEXT NOT NULL,           -- JSON: [{"trusted", "shown"}, ...]
    trusted    TEXT NOT NULL DEFAULT '', -- the trusted meter's accuracy
    note       TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE UNIQUE INDEX calibrations_in_force ON calibrations (instrument, quantity) WHERE ended IS NULL;
CREATE INDEX calibrations_by_instrument ON calibrations (instrument);
