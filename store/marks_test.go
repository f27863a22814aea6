package store_test

import (
	"errors"
	"iter"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

func at(t float64) *float64 { return &t }

// The run's zero is its onset, 1.5 s after its own time 0.
func TestMarksByHandStandBesideTheAutomaticOnes(t *testing.T) {
	db := mustOpen(t)
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: wave(400, 0, 1e8, 1)})
	db.Marks(id, []trace.Mark{{ID: 1 << 20, Kind: trace.Removed, T: 31.5, By: trace.Hand}, {ID: 1<<20 + 1, Kind: trace.Note, T: 2, By: trace.Hand, Text: "smells"}})
	db.End(id, endOf(trace.Latching))
	mustFlush(t, db)
	before := mustRun(t, db, id)
	for _, e := range []trace.MarkEdit{
		{Kind: trace.CutOff, WasTS: at(0.9004), TS: at(0.95), Reason: "saw it in the video"},
		{Kind: trace.Removed, WasTS: at(30), TS: at(29), Reason: "pressed late"},
		{Kind: trace.Note, WasTS: at(0.5), Reason: "was the solder"},
		{Kind: trace.Applied, TS: at(-0.1), Reason: " heard the relay "},
		{Kind: trace.Restored, TS: at(31), Reason: "lamp lit"},
	} {
		if _, err := db.EditMark(ctx, id, e); err != nil {
			t.Fatalf("%+v: %v", e, err)
		}
	}
	r := mustRun(t, db, id)
	if len(r.Derivation.Marks) != len(before.Derivation.Marks) || r.Derivation.Marks[1] != before.Derivation.Marks[1] {
		t.Errorf("automatic marks %+v, want them as they were: %+v", r.Derivation.Marks, before.Derivation.Marks)
	}
	if len(r.Edits) != 5 || math.Abs(*r.Edits[0].TS-0.95) > 1e-9 || r.Edits[3].Reason != "heard the relay" || r.Edits[3].WasTS != nil || r.Edits[2].TS != nil {
		t.Errorf("edits %+v", r.Edits)
	}
	outside, err := db.OutsideMarks(ctx, id)
	if err != nil || len(outside) != 2 || outside[0].Kind != trace.Applied || outside[0].T != 1.4 || outside[1].Kind != trace.Removed || outside[1].T != 30.5 ||
		outside[1].By != trace.Hand || outside[1].U != trace.HandU {
		t.Errorf("for deriving again: %+v, %v", outside, err)
	}

	// A moved mark can be moved again, where it stands now.
	if _, err := db.EditMark(ctx, id, trace.MarkEdit{Kind: trace.Removed, WasTS: at(29), Reason: "no, not at all"}); err != nil {
		t.Error(err)
	}
	if outside, err = db.OutsideMarks(ctx, id); err != nil || len(outside) != 1 {
		t.Errorf("after it was struck: %+v, %v", outside, err)
	}
	if n := count(t, db.Path(), "SELECT count(*) FROM mark_edits_view WHERE what = 'moved' AND abs(was_t_s - 0.9) < 1e-9"); n != 1 {
		t.Errorf("the view shows %d of them, want 1", n)
	}
}

func TestMarkEditsAreRefused(t *testing.T) {
	db := mustOpen(t)
	id := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(100, 0, 1e6, 1)})
	open, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	mustFlush(t, db)
	good := trace.MarkEdit{Kind: trace.CutOff, TS: at(1), Reason: "x"}
	for name, c := range map[string]struct {
		run  int64
		edit func(*trace.MarkEdit)
		want *store.Error
	}{
		"no such kind":      {id, func(e *trace.MarkEdit) { e.Kind = "bang" }, store.ErrInvalid},
		"no reason":         {id, func(e *trace.MarkEdit) { e.Reason = " " }, store.ErrInvalid},
		"endless reason":    {id, func(e *trace.MarkEdit) { e.Reason = strings.Repeat("x", 1001) }, store.ErrInvalid},
		"no time":           {id, func(e *trace.MarkEdit) { e.TS = nil }, store.ErrInvalid},
		"time out of range": {id, func(e *trace.MarkEdit) { e.TS = at(1e10) }, store.ErrInvalid},
		"no mark there":     {id, func(e *trace.MarkEdit) { e.WasTS = at(0.905) }, store.ErrNotFound},
		"run still open":    {open, func(*trace.MarkEdit) {}, store.ErrState},
		"no such run":       {999, func(*trace.MarkEdit) {}, store.ErrNotFound},
	} {
		e := good
		c.edit(&e)
		if _, err := db.EditMark(ctx, c.run, e); !errors.Is(err, c.want) {
			t.Errorf("%s: got %v, want %v", name, err, c.want)
		}
	}
	if n := count(t, db.Path(), "SELECT count(*) FROM mark_edits"); n != 0 {
		t.Errorf("%d edits of what was refused", n)
	}
	db.End(open, endOf(trace.None))
}

// What is said of a mark and what the run then gives are stored together, and taken back together.
func TestEditsAndTheirDerivationStandOrFallTogether(t *testing.T) {
	var asked [][]trace.MarkEdit
	fail := false
	path := filepath.Join(t.TempDir(), "a.db")
	db := mustOpenAt(t, path, store.Options{Record: true, Derive: func(s trace.Settings, marks []trace.Mark, samples iter.Seq2[trace.Batch, error]) (trace.Derivation, error) {
		asked = append(asked, s.MarkEdits)
		d := endOf(trace.Latching).Derivation
		for i, m := range d.Marks {
			for _, e := range s.MarkEdits {
				if m.Kind == e.Kind && e.TS != nil {
					d.Marks[i].T, d.Marks[i].By = *e.TS, trace.Hand
				}
			}
		}
		if fail {
			return d, errors.New("no")
		}
		return d, nil
	}})
	id := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(400, 0, 1e8, 1)})
	u := 0.01
	first, err := db.EditMark(ctx, id, trace.MarkEdit{Kind: trace.CutOff, WasTS: at(0.9), TS: at(0.95), US: &u, Reason: "video"})
	if err != nil {
		t.Fatal(err)
	}
	second, err := db.EditMark(ctx, id, trace.MarkEdit{Kind: trace.CutOff, WasTS: at(0.95), TS: at(1), Reason: "no, here"})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(asked); n != 2 || len(asked[1]) != 1 || math.Abs(*asked[1][0].WasTS-2.4) > 1e-6 || math.Abs(*asked[1][0].TS-2.5) > 1e-6 {
		t.Errorf("asked to derive with %+v", asked)
	}
	r := mustRun(t, db, id)
	if m, _ := r.Derivation.FirstMark(trace.CutOff); math.Abs(m.T-1) > 1e-6 || m.By != trace.Hand || len(r.Derivations) != 3 || len(r.Settings.MarkEdits) != 1 {
		t.Errorf("cut-off %+v of %d derivations, settings %+v", m, len(r.Derivations), r.Settings)
	}
	if err := db.TakeBackEdit(ctx, id, first.ID); !errors.Is(err, store.ErrState) {
		t.Errorf("an edit that another one stands on: %v", err)
	}
	fail = true
	if err := db.TakeBackEdit(ctx, id, second.ID); err == nil {
		t.Error("taken back without a derivation")
	}
	if r := mustRun(t, db, id); r.Edits[1].TakenBack != nil || len(r.Derivations) != 3 {
		t.Errorf("half of it is stored: %+v", r.Edits)
	}
	fail = false
	for _, edit := range []int64{second.ID, first.ID} {
		if err := db.TakeBackEdit(ctx, id, edit); err != nil {
			t.Fatal(err)
		}
	}
	r = mustRun(t, db, id)
	if m, _ := r.Derivation.FirstMark(trace.CutOff); math.Abs(m.T-0.9) > 1e-6 || m.By != trace.Detector || len(r.Edits) != 2 || r.Edits[0].TakenBack == nil || len(r.Settings.MarkEdits) != 0 {
		t.Errorf("cut-off %+v, edits %+v", m, r.Edits)
	}
	if err := db.TakeBackEdit(ctx, id, first.ID); !errors.Is(err, store.ErrState) {
		t.Errorf("twice: %v", err)
	}
	if err := db.TakeBackEdit(ctx, id, 99); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("no such edit: %v", err)
	}
	for _, e := range []trace.MarkEdit{{Kind: trace.CutOff, TS: at(3), Reason: "another"}, {Kind: trace.Onset, TS: at(3), Reason: "another"}} {
		if _, err := db.EditMark(ctx, id, e); !errors.Is(err, store.ErrState) {
			t.Errorf("a second %s: %v", e.Kind, err)
		}
	}
}

func TestAnOlderDerivationIsChosenBack(t *testing.T) {
	db := mustOpen(t)
	id, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: wave(400, 0, 1e8, 1)})
	db.End(id, endOf(trace.Latching))
	mustFlush(t, db)
	first := mustRun(t, db, id)
	other := first.DerivedWith
	other.RatedCurrentA = 9
	d := first.Derivation.Shifted(first.ZeroS+0.2, "file") // its onset is found elsewhere
	if _, err := db.AddDerivation(ctx, id, other, d, "test"); err != nil {
		t.Fatal(err)
	}
	if r := mustRun(t, db, id); r.DerivedWith.RatedCurrentA != 9 || math.Abs(r.ZeroS-first.ZeroS-0.2) > 1e-9 {
		t.Fatalf("derived with %+v, zero at %g s", r.DerivedWith, r.ZeroS)
	}
	if err := db.ChooseDerivation(ctx, id, first.Derivations[0].ID); err != nil {
		t.Fatal(err)
	}
	r := mustRun(t, db, id)
	if r.DerivedWith.RatedCurrentA != first.DerivedWith.RatedCurrentA || r.ZeroS != first.ZeroS || len(r.Derivations) != 2 || !r.Derivations[1].Current {
		t.Errorf("after choosing the first back: %+v, zero at %g s, %+v", r.DerivedWith, r.ZeroS, r.Derivations)
	}
	if err := db.ChooseDerivation(ctx, id, 999); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a derivation that is not there: %v", err)
	}

	// What a person said of a mark since is not in it.
	if _, err := db.EditMark(ctx, id, trace.MarkEdit{Kind: trace.CutOff, WasTS: at(0.9), TS: at(0.95), Reason: "video"}); err != nil {
		t.Fatal(err)
	}
	if err := db.ChooseDerivation(ctx, id, r.Derivations[0].ID); !errors.Is(err, store.ErrState) {
		t.Errorf("a derivation from before a mark was moved: %v", err)
	}
}
