package store_test

import (
	"os"
	"path/filepath"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

// Databases of every schema there has been, as the program of their day left them behind: run 1 is
// complete, derived twice and excluded; another was open when the program ended. They are opened as
// if nothing had happened since. When a migration is added, the database that the version before it
// writes goes to testdata.
func TestEveryOlderSchemaIsBroughtForward(t *testing.T) {
	fixtures, err := filepath.Glob("testdata/schema-*.sqlite")
	if err != nil {
		t.Fatal(err)
	}
	steps, err := filepath.Glob("migrations/*.sql")
	if err != nil || len(fixtures) == 0 || len(fixtures) != len(steps)-1 {
		t.Fatalf("%d databases of older schemas for %d migrations, %v: want one of each but the newest", len(fixtures), len(steps), err)
	}
	for _, fixture := range fixtures {
		t.Run(filepath.Base(fixture), func(t *testing.T) {
			content, err := os.ReadFile(fixture)
			if err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(t.TempDir(), "old.db")
			if err := os.WriteFile(path, content, 0o644); err != nil {
				t.Fatal(err)
			}
			db := mustOpenAt(t, path, store.Options{Record: true})
			checkFixture(t, db)
			if n := count(t, path, "SELECT count(*) FROM migrations"); int(n) != len(steps) {
				t.Errorf("%d migrations recorded, want %d", n, len(steps))
			}
			if n := count(t, path, "SELECT count(*) FROM pragma_integrity_check WHERE integrity_check != 'ok'"); n != 0 {
				t.Error("SQLite finds it damaged")
			}
		})
	}
}

func checkFixture(t *testing.T, db *store.DB) {
	t.Helper()
	checkSamples(t, samplesOf(t, db, 1, shuntCurrent), wave(20_000, 0, 1e6, 1))
	checkSamples(t, samplesOf(t, db, 1, shuntVoltage), wave(300, 500, 1e8, 2))
	r := mustRun(t, db, 1)
	if r.Unit != "Tin" || r.State != trace.RunExcluded || r.Reason != "clip slipped" || r.Behaviour != trace.Latching || len(r.Derivations) != 2 || r.ZeroS != 1.5 {
		t.Errorf("run 1: %+v", r)
	}
	marks, err := db.OutsideMarks(ctx, 1)
	if err != nil || len(marks) != 1 || marks[0].T != 31.5 || marks[0].By != trace.Contact {
		t.Errorf("marks from outside %+v, %v", marks, err)
	}
	cut := db.Interrupted()
	if len(cut) != 1 || mustRun(t, db, cut[0]).State != trace.RunInterrupted || mustRun(t, db, cut[0]).Samples != 500 {
		t.Errorf("interrupted runs %v, want the one that was open, with its 500 samples", cut)
	}
	// What came later works on what is old.
	if _, err := db.EditMark(ctx, 1, trace.MarkEdit{Kind: trace.Removed, WasTS: at(30), Reason: "test"}); err != nil {
		t.Error(err)
	}
	if marks, err = db.OutsideMarks(ctx, 1); err != nil || len(marks) != 0 {
		t.Errorf("after it was struck: %+v, %v", marks, err)
	}
	record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(10, 0, 1e6, 9)})
}
