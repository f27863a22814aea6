-- A person says how well the mark is placed, and may take back what was said: it stays, and counts no more.
ALTER TABLE mark_edits ADD COLUMN u_s REAL;        -- expanded uncertainty of t_s, seconds; NULL: 0.3
ALTER TABLE mark_edits ADD COLUMN taken_back TEXT; -- time of day; NULL: it counts

DROP VIEW mark_edits_view;
CREATE VIEW mark_edits_view AS
SELECT r.id AS run, r.unit, e.id AS edit, e.kind,
       CASE WHEN e.was_t_s IS NULL THEN 'added' WHEN e.t_s IS NULL THEN 'struck' ELSE 'moved' END AS what,
       e.was_t_s - r.zero_ns / 1e9 AS was_t_s, e.t_s - r.zero_ns / 1e9 AS t_s,
       CASE WHEN e.t_s IS NULL THEN NULL ELSE coalesce(e.u_s, 0.3) END AS u_s, e.reason, e.made, e.taken_back
FROM runs r JOIN mark_edits e ON e.run = r.id
ORDER BY r.id, e.id;
