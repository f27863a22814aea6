package store_test

import (
	"context"
	"errors"
	"iter"
	"path/filepath"
	"reflect"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

func one(recs ...trace.Recording) iter.Seq2[trace.Recording, error] {
	return func(yield func(trace.Recording, error) bool) {
		for _, r := range recs {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// A run handed from one database to another is the same run there: samples bit for bit, marks from
// outside, all derivations with their settings, the exclusion; its number may be another.
func TestRecordingIsTheSameRunElsewhere(t *testing.T) {
	from, to := mustOpen(t), mustOpen(t)
	record(t, to, startOf(trace.Unit{Name: "Moss", RatedCurrentA: 1}), endOf(trace.Latching)) // takes number 1
	id, err := from.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	current, voltage := wave(40_000, 0, 1_000_000, 1), wave(300, 500, 100_000_000, 2)
	from.Append(id, trace.Batch{Channel: shuntCurrent, Samples: current})
	from.Append(id, trace.Batch{Channel: shuntVoltage, Samples: voltage})
	from.Marks(id, []trace.Mark{{ID: 1 << 20, Kind: trace.Removed, T: 31.5, U: 0.02, By: trace.Contact}})
	from.End(id, endOf(trace.AutoRetry))
	mustFlush(t, from)
	again := endOf(trace.Latching)
	again.Settings.RatedCurrentA = 2
	if _, err := from.AddDerivation(ctx, id, again.Settings, again.Derivation, "1.3"); err != nil {
		t.Fatal(err)
	}
	if err := from.Exclude(ctx, id, "clip slipped"); err != nil {
		t.Fatal(err)
	}

	rec, err := from.Recording(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	done, err := to.ImportRecordings(ctx, one(rec))
	if err != nil || len(done) != 1 || done[0].Known || done[0].ID == id {
		t.Fatalf("imported %+v, %v", done, err)
	}
	checkSamples(t, samplesOf(t, to, done[0].ID, shuntCurrent), current)
	checkSamples(t, samplesOf(t, to, done[0].ID, shuntVoltage), voltage)
	back, err := to.Recording(ctx, done[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	rec.Batches, back.Batches = nil, nil
	if !rec.End.Ended.Equal(back.End.Ended) || !rec.Start.Started.Equal(back.Start.Started) || !rec.Earlier[0].Made.Equal(back.Earlier[0].Made) {
		t.Errorf("times of day: %v %v, want %v %v", back.Start.Started, back.End.Ended, rec.Start.Started, rec.End.Ended)
	}
	back.End.Ended, back.Start.Started, back.Earlier[0].Made = rec.End.Ended, rec.Start.Started, rec.Earlier[0].Made
	if !reflect.DeepEqual(rec, back) {
		t.Errorf("it came back as\n%+v\nwant\n%+v", back, rec)
	}
	a, b := mustRun(t, from, id), mustRun(t, to, done[0].ID)
	if !reflect.DeepEqual(a.Settings, b.Settings) || a.ZeroS != b.ZeroS || b.State != trace.RunExcluded || b.Reason != "clip slipped" || len(b.Derivations) != 2 {
		t.Errorf("run %+v\nwant %+v", b, a)
	}

	rec.Batches = from.Batches(ctx, id)
	second, err := to.ImportRecordings(ctx, one(rec))
	if err != nil || !second[0].Known || second[0].ID != done[0].ID {
		t.Errorf("the second time it is %+v, %v; want the run that is there, %d", second, err, done[0].ID)
	}
}

func TestImportIsAllOrNothing(t *testing.T) {
	from := mustOpen(t)
	id := record(t, from, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(20_000, 0, 1e6, 1)})
	broken := errors.New("the file ends here")
	for name, spoil := range map[string]func(*trace.Recording){
		"uuid is a path":       func(r *trace.Recording) { r.UUID = "../../etc" },
		"unit out of range":    func(r *trace.Recording) { r.UUID, r.Start.Unit.RatedCurrentA = "", 1e9 },
		"state of no end":      func(r *trace.Recording) { r.UUID, r.End.State = "", "open" },
		"setting out of range": func(r *trace.Recording) { r.UUID, r.End.Settings.HoldS = "", -1 },
		"samples break off": func(r *trace.Recording) {
			all := r.Batches
			r.UUID = ""
			r.Batches = func(yield func(trace.Batch, error) bool) {
				for b := range all {
					if !yield(b, nil) {
						return
					}
				}
				yield(trace.Batch{}, broken)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			to := mustOpenAt(t, filepath.Join(t.TempDir(), "other.db"), store.Options{})
			good, err := from.Recording(ctx, id)
			if err != nil {
				t.Fatal(err)
			}
			bad := good
			spoil(&bad)
			if done, err := to.ImportRecordings(ctx, one(good, bad)); err == nil || done != nil {
				t.Fatalf("imported %+v", done)
			}
			page, err := to.Runs(context.Background(), store.RunQuery{})
			units, err2 := to.Units(ctx)
			if len(page.Runs) != 0 || len(units) != 0 || err != nil || err2 != nil {
				t.Errorf("%d runs and %d units stay of what was refused", len(page.Runs), len(units))
			}
		})
	}
}

func TestRecordingOfAnOpenRunIsRefused(t *testing.T) {
	db := mustOpen(t)
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	mustFlush(t, db)
	if _, err := db.Recording(ctx, id); !errors.Is(err, store.ErrState) {
		t.Errorf("got %v, want %v", err, store.ErrState)
	}
	db.End(id, endOf(trace.None))
}
