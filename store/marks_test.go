package store_test

import (
	"errors"
	"math"
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
	db.Append(id, trace.Batch{Channel: shuntCurrent, Samples: wave(100, 0, 1e6, 1)})
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
