-- What a person says of a run's marks: one added, moved or struck, and why. The marks that the
-- program made stay as they are beside it. Times are on the run's own time base.
CREATE TABLE mark_edits (
    id      INTEGER PRIMARY KEY,
    run     INTEGER NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    made    TEXT NOT NULL,            -- time of day
    kind    TEXT NOT NULL,            -- as in marks
    was_t_s REAL,                     -- where the mark stood, seconds; NULL: added
    t_s     REAL,                     -- where it stands now, seconds; NULL: struck
    reason  TEXT NOT NULL,
    CHECK (was_t_s IS NOT NULL OR t_s IS NOT NULL)
) STRICT;
CREATE INDEX mark_edits_by_run ON mark_edits (run);

CREATE VIEW mark_edits_view AS
SELECT r.id AS run, r.unit, e.kind,
       CASE WHEN e.was_t_s IS NULL THEN 'added' WHEN e.t_s IS NULL THEN 'struck' ELSE 'moved' END AS what,
       e.was_t_s - r.zero_ns / 1e9 AS was_t_s, e.t_s - r.zero_ns / 1e9 AS t_s, e.reason, e.made
FROM runs r JOIN mark_edits e ON e.run = r.id
ORDER BY r.id, e.id;
