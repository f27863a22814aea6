-- What two harmless loads foretold of a unit, so that it can stand beside what a short measures later. Expanded
-- uncertainties of 0 are not known.
CREATE TABLE forecasts (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    unit_id INTEGER NOT NULL REFERENCES units (id) ON DELETE CASCADE,
    made    TEXT NOT NULL,  -- time of day
    loads   TEXT NOT NULL   -- JSON: two of a, v, u_a, u_v
) STRICT;
CREATE INDEX forecasts_by_unit ON forecasts (unit_id);
