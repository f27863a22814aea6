-- Repeats of one test that ran by themselves, the contact that the program opens at every start, and whose
-- cautions were read.

CREATE TABLE series (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    unit      TEXT NOT NULL,
    output    TEXT NOT NULL DEFAULT '',
    setting   TEXT NOT NULL DEFAULT '',
    rig       TEXT NOT NULL DEFAULT '',
    note      TEXT NOT NULL DEFAULT '',
    procedure TEXT NOT NULL DEFAULT '',
    hold_s    REAL NOT NULL,              -- seconds, of each run
    n         INTEGER NOT NULL,           -- runs wanted
    rest_s    REAL NOT NULL,              -- seconds that the unit rests between two runs at least
    made      TEXT NOT NULL,              -- time of day
    state     TEXT NOT NULL DEFAULT 'open', -- open, complete, stopped
    reason    TEXT NOT NULL DEFAULT ''    -- why it was stopped
) STRICT;

ALTER TABLE runs ADD COLUMN series INTEGER REFERENCES series (id) ON DELETE SET NULL;
ALTER TABLE runs ADD COLUMN series_place INTEGER NOT NULL DEFAULT 0; -- from 1
CREATE INDEX runs_by_series ON runs (series) WHERE series IS NOT NULL;

CREATE TABLE contact (
    only INTEGER PRIMARY KEY CHECK (only = 1),
    spec TEXT NOT NULL -- as a person gave it: its port, and what its lines do
) STRICT, WITHOUT ROWID;

-- A rig whose cautions somebody has read; an empty name is a bench without one.
CREATE TABLE cautions_read (
    rig  TEXT PRIMARY KEY COLLATE NOCASE,
    made TEXT NOT NULL -- time of day
) STRICT, WITHOUT ROWID;
