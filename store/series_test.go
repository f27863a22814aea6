package store_test

import (
	"errors"
	"path/filepath"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

func TestASeriesIsKeptWithItsRuns(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	db := mustOpenAt(t, path, store.Options{Record: true})
	s, err := db.BeginSeries(ctx, trace.Series{Unit: "Tin", Rig: "bench1", Procedure: trace.Short, HoldS: 30, N: 3, RestS: 60})
	if err != nil || s.ID != 1 || s.State != trace.SeriesOpen || s.Made == "" {
		t.Fatalf("%+v, %v", s, err)
	}
	for place, behaviour := range []trace.Behaviour{trace.Latching, trace.BehaviourUnsure} {
		start, end := startOf(tin), endOf(behaviour)
		start.Series, start.SeriesPlace = s.ID, place+1
		end.Settings.HoldS = 30.01
		record(t, db, start, end, trace.Batch{Channel: shuntCurrent, Samples: wave(10, 0, 1e6, 9)})
	}
	record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(10, 0, 1e6, 9)})
	got, runs, err := db.Series(ctx, s.ID)
	if err != nil || got != s || len(runs) != 2 {
		t.Fatalf("%+v with %+v, %v; want %+v with two runs", got, runs, err, s)
	}
	if r := runs[0]; r.Place != 1 || r.State != trace.RunComplete || r.Behaviour != trace.Latching || r.HoldS != 30.01 || !s.Counts(r) || s.Counts(runs[1]) {
		t.Errorf("runs %+v; the first counts and the second does not", runs)
	}
	page, err := db.Runs(ctx, store.RunQuery{Series: s.ID})
	if err != nil || len(page.Runs) != 2 || page.Runs[0].Series == nil || *page.Runs[0].Series != s.ID || page.Runs[0].Place == 0 {
		t.Errorf("listed by series: %+v, %v", page.Runs, err)
	}
	if all, err := db.Runs(ctx, store.RunQuery{}); err != nil || len(all.Runs) != 3 {
		t.Errorf("%d runs in all, %v", len(all.Runs), err)
	}

	// The program is ended in the middle; the next one finds it.
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	db = mustOpenAt(t, path, store.Options{Record: true})
	if cut, err := db.StopOpenSeries(ctx); err != nil || len(cut) != 1 || cut[0] != s.ID {
		t.Errorf("cut short: %v, %v", cut, err)
	}
	if cut, err := db.StopOpenSeries(ctx); err != nil || len(cut) != 0 {
		t.Errorf("cut short once more: %v, %v", cut, err)
	}
	if got, _, err = db.Series(ctx, s.ID); err != nil || got.State != trace.SeriesStopped || got.Reason != "the program was ended" {
		t.Errorf("%+v, %v", got, err)
	}
	if err := db.TurnSeries(ctx, s.ID, trace.SeriesComplete, ""); err != nil {
		t.Fatal(err)
	}
	if all, err := db.AllSeries(ctx); err != nil || len(all) != 1 || all[0].State != trace.SeriesComplete {
		t.Errorf("%+v, %v", all, err)
	}
	for what, err := range map[string]error{
		"turn one that is not there": db.TurnSeries(ctx, 9, trace.SeriesStopped, ""),
		"read one that is not there": func() error { _, _, err := db.Series(ctx, 9); return err }(),
	} {
		if !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if _, err := db.BeginSeries(ctx, trace.Series{Unit: "Tin", N: 1}); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("a series of one run: %v", err)
	}
}

func TestTheContactIsKeptUntilItIsForgotten(t *testing.T) {
	db := mustOpenAt(t, filepath.Join(t.TempDir(), "bench.db"), store.Options{Record: true})
	for _, spec := range []string{"", "/dev/ttyUSB1", "/dev/ttyUSB2?sense=cts", ""} {
		if err := db.KeepContact(ctx, spec); err != nil {
			t.Fatal(err)
		}
		if got, err := db.Contact(ctx); err != nil || got != spec {
			t.Errorf("kept %q, found %q, %v", spec, got, err)
		}
	}
}

func TestCautionsAreReadOncePerRig(t *testing.T) {
	db := mustOpenAt(t, filepath.Join(t.TempDir(), "bench.db"), store.Options{Record: true})
	for _, rig := range []string{"bench1", "", "BENCH1", "bench2"} {
		if err := db.CautionsRead(ctx, rig); err != nil {
			t.Fatal(err)
		}
	}
	got, err := db.CautionsReadFor(ctx)
	if err != nil || len(got) != 3 || got[0] != "" || got[1] != "bench1" || got[2] != "bench2" {
		t.Errorf("read for %q, %v", got, err)
	}
}
