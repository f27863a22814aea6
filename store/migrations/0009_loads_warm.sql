-- How a load cools, and whether it is one that was made up.
ALTER TABLE loads ADD COLUMN time_constant_s REAL NOT NULL DEFAULT 0; -- seconds; 0 is not known
ALTER TABLE loads ADD COLUMN invented INTEGER NOT NULL DEFAULT 0;     -- 1: plausible, and measured on nothing

-- Something to begin with, where nobody has any yet: made up, each says so.
INSERT INTO loads (name, kind, running_a, stall_a, continuous_a, wire_diameter_mm, insulation_class, time_constant_s, invented, note)
SELECT * FROM (
    SELECT 'example motor, tiny' AS name, 'motor', 0.06, 0.35, 0.15, 0.06, 'B', 0, 1, 'invented: put your own motor''s figures in its place' UNION ALL
    SELECT 'example motor, small', 'motor', 0.15, 0.8, 0.35, 0.1, 'B', 0, 1, 'invented: put your own motor''s figures in its place' UNION ALL
    SELECT 'example motor, medium', 'motor', 0.3, 1.8, 0.7, 0.16, 'F', 0, 1, 'invented: put your own motor''s figures in its place' UNION ALL
    SELECT 'example motor, large', 'motor', 0.8, 4.5, 1.6, 0.28, 'F', 0, 1, 'invented: put your own motor''s figures in its place' UNION ALL
    SELECT 'example wire, 0.05 mm²', 'wire', 0, 0, 0.8, 0.252, '', 0, 1, 'invented: what a wire carries for ever depends on how it is laid' UNION ALL
    SELECT 'example wire, 0.14 mm²', 'wire', 0, 0, 2, 0.422, '', 0, 1, 'invented: what a wire carries for ever depends on how it is laid' UNION ALL
    SELECT 'example wire, 0.5 mm²', 'wire', 0, 0, 5, 0.798, '', 0, 1, 'invented: what a wire carries for ever depends on how it is laid')
WHERE NOT EXISTS (SELECT 1 FROM loads);
