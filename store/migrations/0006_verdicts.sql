-- The set of criteria that verdicts go by where no other is asked for: one of them at most.
ALTER TABLE criteria ADD COLUMN chosen INTEGER NOT NULL DEFAULT 0;
CREATE UNIQUE INDEX criteria_chosen ON criteria (chosen) WHERE chosen = 1;

-- The set that there is from the first day. It is a house rule, and says so; where somebody has one of this
-- name already, that one stays.
INSERT OR IGNORE INTO criteria (name, version, made, text, note, chosen) VALUES ('house', 1, strftime('%Y-%m-%dT%H:%M:%SZ', 'now'),
'about: House rules of this program, not a standard. Change them to what you can defend.
about: Nothing here promises safety; local electrical codes and qualified persons come first.

criterion stops
  say: Stops the fault, or limits it to about its rating, within a second
  judges: protected_after_s
  level: at most 1.25 x rated
  pass: at most 1 s
  caution: at most 5 s

criterion let_through
  say: Lets through less than the weakest load stands
  judges: let_through_a2s
  in: short
  pass: at most 1 x withstand

criterion flows_on
  say: What it goes on feeding is no more than the weakest load stands for ever
  judges: steady_current_a
  when: fold_back, limited, sustained
  pass: at most 1 x continuous

criterion trip_current
  say: Trips between its rating and twice of it
  judges: trip_current_a
  pass: 1.05 to 2 x rated

criterion carries
  say: Carries its rating
  judges: carries_rating
  level: at least 0.95 x rated
  pass: yes

criterion retry_heat
  say: Its retries heat no more than its rating would
  judges: heating_current_a
  in: short
  when: auto_retry, hiccup
  pass: at most 1 x rated
', 'comes with the program', 1);
UPDATE criteria SET chosen = 1 WHERE id = (SELECT min(id) FROM criteria) AND NOT EXISTS (SELECT 1 FROM criteria WHERE chosen = 1);

-- Verdicts as they were reached, the newest of a unit's output by a set being the present one. A verdict never
-- changes in silence: another row says what changed.
CREATE TABLE verdicts (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    unit_id  INTEGER NOT NULL REFERENCES units (id) ON DELETE CASCADE,
    output   TEXT NOT NULL DEFAULT '',
    criteria TEXT NOT NULL COLLATE NOCASE, -- the set's name
    version  INTEGER NOT NULL,
    made     TEXT NOT NULL,                -- time of day
    verdict  TEXT NOT NULL,                -- fail, not_determined, caution, pass
    say      TEXT NOT NULL DEFAULT '',
    basis    TEXT NOT NULL,                -- JSON: what it stands on: plate, load, runs and their derivations
    result   TEXT NOT NULL,                -- JSON: every criterion with its reasons
    changes  TEXT NOT NULL DEFAULT '[]'    -- JSON: what is another than in the one before, in sentences
) STRICT;
CREATE INDEX verdicts_by_unit ON verdicts (unit_id, output, criteria);

-- What a person says beside a verdict.
CREATE TABLE remarks (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    unit_id   INTEGER NOT NULL REFERENCES units (id) ON DELETE CASCADE,
    output    TEXT NOT NULL DEFAULT '',
    criterion TEXT NOT NULL DEFAULT '', -- its name; empty: on the whole verdict
    made      TEXT NOT NULL,            -- time of day
    text      TEXT NOT NULL
) STRICT;
CREATE INDEX remarks_by_unit ON remarks (unit_id);

CREATE VIEW verdicts_view AS
SELECT u.name AS unit, v.output, v.verdict, v.say, v.criteria, v.version, v.made, v.changes
FROM verdicts v JOIN units u ON u.id = v.unit_id
ORDER BY u.name, v.output, v.id;
