package store_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"
)

var loco = trace.Load{Name: "Loco", Kind: "motor", RunningA: 0.3, StallA: 1.2, ContinuousA: 0.4, WithstandA2s: 8.5, WireDiameterMM: 0.1, InsulationClass: "E", Note: "the smallest"}

func benchRig() trace.Rig {
	return trace.Rig{Name: "bench A", Note: "short leads", Parts: []trace.RigPart{
		{Kind: "lead", Name: "red", LengthM: 0.5, AreaMM2: 1.5, Material: "copper"}, {Kind: "fuse", RatedA: 10}, {Kind: "shunt", Ohm: 0.01, RatedW: 2}}}
}

func TestShelvesKeepWhatIsPutOnThem(t *testing.T) {
	db := mustOpen(t)
	l, err := db.Loads().Add(ctx, loco)
	if err != nil || l.ID == 0 {
		t.Fatal(l, err)
	}
	if got, err := db.Loads().ByName(ctx, " loco "); err != nil || got != l {
		t.Errorf("%+v, %v, want %+v", got, err, l)
	}
	l.StallA, l.Name = 1.3, "Loco 2"
	if got, err := db.Loads().Change(ctx, l); err != nil || got != l {
		t.Errorf("%+v, %v", got, err)
	}
	r, err := db.Rigs().Add(ctx, benchRig())
	if err != nil {
		t.Fatal(err)
	}
	r.Parts = slices.Delete(r.Parts, 0, 1)
	if _, err := db.Rigs().Change(ctx, r); err != nil {
		t.Fatal(err)
	}
	if got, err := db.Rigs().Find(ctx, r.ID); err != nil || len(got.Parts) != 2 || got.Parts[0].Kind != "fuse" || got.Parts[1].Ohm != 0.01 {
		t.Errorf("%+v, %v", got, err)
	}
	c, err := db.Criteria().Add(ctx, trace.CriteriaSet{Name: "strict", Text: "stops within 1 s\n"})
	if err != nil || c.Version != 1 || c.Made == "" {
		t.Fatal(c, err)
	}
	c.Text = "stops within 2 s\n"
	if c, err = db.Criteria().Change(ctx, c); err != nil || c.Version != 2 {
		t.Errorf("%+v, %v", c, err)
	}
	c.Note = "after the meeting"
	if c, err = db.Criteria().Change(ctx, c); err != nil || c.Version != 2 {
		t.Errorf("a note makes a version: %+v, %v", c, err)
	}
	if n := count(t, db.Path(), "SELECT count(*) FROM criteria_versions WHERE version = 1 AND text LIKE 'stops within 1 s%'"); n != 1 {
		t.Error("the first version is gone")
	}
	for _, remove := range []error{db.Loads().Remove(ctx, l.ID), db.Rigs().Remove(ctx, r.ID), db.Criteria().Remove(ctx, c.ID)} {
		if remove != nil {
			t.Error(remove)
		}
	}
	if n := count(t, db.Path(), "SELECT (SELECT count(*) FROM loads WHERE NOT invented) + (SELECT count(*) FROM rigs) + (SELECT count(*) FROM rig_parts) + (SELECT count(*) FROM criteria WHERE name != 'house') + (SELECT count(*) FROM criteria_versions)"); n != 0 {
		t.Errorf("%d rows are left", n)
	}
}

func TestShelvesRefuse(t *testing.T) {
	db := mustOpen(t)
	l, err := db.Loads().Add(ctx, loco)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.CreateUnit(ctx, trace.Unit{Name: "Tin", Load: "LOCO"}); err != nil {
		t.Fatal(err)
	}
	load := func(f func(*trace.Load)) error {
		l := loco
		l.Name = "x"
		f(&l)
		_, err := db.Loads().Add(ctx, l)
		return err
	}
	rig := func(f func(*trace.Rig)) error { r := benchRig(); f(&r); _, err := db.Rigs().Add(ctx, r); return err }
	set := func(c trace.CriteriaSet) error { _, err := db.Criteria().Add(ctx, c); return err }
	_, unknown := db.CreateUnit(ctx, trace.Unit{Name: "Slate", Load: "crane"})
	_, missing := db.Loads().Change(ctx, trace.Load{ID: 99, Name: "y"})
	_, nameless := db.Loads().Change(ctx, trace.Load{Name: "y"})
	_, noSuch := db.Rigs().ByName(ctx, "bench Z")
	for name, c := range map[string]struct {
		err  error
		want *store.Error
		says string
	}{
		"no name":             {load(func(l *trace.Load) { l.Name = " " }), store.ErrInvalid, "name"},
		"name taken":          {load(func(l *trace.Load) { l.Name = "loco" }), store.ErrConflict, `there is a load "loco" already`},
		"negative":            {load(func(l *trace.Load) { l.StallA = -1 }), store.ErrInvalid, "stall_a: -1 is out of range, allowed is 0 to 1000"},
		"no number":           {load(func(l *trace.Load) { l.WithstandA2s = math.NaN() }), store.ErrInvalid, "withstand_a2s"},
		"no such class":       {load(func(l *trace.Load) { l.InsulationClass = "Z" }), store.ErrInvalid, "none of Y, A, E, B, F, H"},
		"no such kind":        {load(func(l *trace.Load) { l.Kind = "lamp" }), store.ErrInvalid, "none of motor, wire, other"},
		"no text":             {load(func(l *trace.Load) { l.Note = "\x00" }), store.ErrInvalid, "note"},
		"a part of no kind":   {rig(func(r *trace.Rig) { r.Parts[1].Kind = "" }), store.ErrInvalid, "parts[1].kind"},
		"a part out of range": {rig(func(r *trace.Rig) { r.Parts[2].Ohm = -1 }), store.ErrInvalid, "parts[2].ohm: -1 is out of range"},
		"endless parts":       {rig(func(r *trace.Rig) { r.Parts = make([]trace.RigPart, 101) }), store.ErrInvalid, "at most 100"},
		"criteria of nothing": {set(trace.CriteriaSet{Name: "x", Text: "\n"}), store.ErrInvalid, "text"},
		"endless criteria":    {set(trace.CriteriaSet{Name: "x", Text: strings.Repeat("x", 1<<17)}), store.ErrInvalid, "text"},
		"in use":              {db.Loads().Remove(ctx, l.ID), store.ErrConflict, "the weakest that Tin feeds"},
		"unknown load":        {unknown, store.ErrInvalid, `no load "crane"`},
		"change of none":      {missing, store.ErrNotFound, "no load 99"},
		"change of no number": {nameless, store.ErrNotFound, "no load 0"},
		"removal of none":     {db.Rigs().Remove(ctx, 99), store.ErrNotFound, "no rig 99"},
		"none of that name":   {noSuch, store.ErrNotFound, `no rig "bench Z"`},
	} {
		if !errors.Is(c.err, c.want) || !strings.Contains(fmt.Sprint(c.err), c.says) {
			t.Errorf("%s: %v, want %v and %q", name, c.err, c.want.Code, c.says)
		}
	}
}

// A run takes its unit's load and its rig along; elsewhere the same is the same, and what only has the
// same name is kept beside.
func TestWhatARunStandsOnTravelsWithIt(t *testing.T) {
	from, to := mustOpen(t), mustOpen(t)
	if _, err := from.Loads().Add(ctx, loco); err != nil {
		t.Fatal(err)
	}
	if _, err := from.Rigs().Add(ctx, benchRig()); err != nil {
		t.Fatal(err)
	}
	if _, err := from.CreateUnit(ctx, trace.Unit{Name: "Tin", RatedCurrentA: 1.4, Load: "Loco"}); err != nil {
		t.Fatal(err)
	}
	start := startOf(trace.Unit{Name: "Tin", RatedCurrentA: 1.4})
	start.Rig = "bench A"
	take := func(unit string, change func(*trace.Recording)) store.Imported {
		t.Helper()
		start.Unit.Name = unit
		id := record(t, from, start, endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: wave(10, 0, 1e6, 1)})
		rec, err := from.Recording(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		change(&rec)
		done, err := to.ImportRecordings(ctx, func(yield func(trace.Recording, error) bool) { yield(rec, nil) })
		if err != nil || len(done) != 1 {
			t.Fatal(done, err)
		}
		return done[0]
	}
	// Here "bench A" is another one.
	if _, err := to.Rigs().Add(ctx, trace.Rig{Name: "Bench A", Parts: []trace.RigPart{{Kind: "fuse", RatedA: 2}}}); err != nil {
		t.Fatal(err)
	}
	done := take("Tin", func(rec *trace.Recording) {
		if rec.Load == nil || rec.Load.StallA != 1.2 || rec.Built == nil || len(rec.Built.Parts) != 3 {
			t.Errorf("taken along: %+v, %+v", rec.Load, rec.Built)
		}
		rec.Criteria = []trace.CriteriaSet{{Name: "strict", Version: 7, Text: "stops within 1 s"}}
	})
	if len(done.Said) != 1 || !strings.Contains(done.Said[0], `"bench A (2)"`) {
		t.Errorf("said %q", done.Said)
	}
	if r := mustRun(t, to, done.ID); r.Rig != "bench A (2)" {
		t.Errorf("the run's rig is %q", r.Rig)
	}
	if u, err := to.UnitByName(ctx, "Tin"); err != nil || u.Load != "Loco" {
		t.Errorf("%+v, %v", u, err)
	}
	// The same once more: nothing is doubled.
	if done := take("Tin", func(rec *trace.Recording) {
		rec.Criteria = []trace.CriteriaSet{{Name: "strict", Text: "stops within 1 s"}}
	}); len(done.Said) != 1 { // its rig is the second of that name
		t.Errorf("said %q", done.Said)
	}
	// Another load of that name; a unit that is here keeps its own.
	if done := take("Tin", func(rec *trace.Recording) { rec.Load.StallA = 9 }); len(done.Said) != 2 {
		t.Errorf("said %q", done.Said)
	}
	if u, err := to.UnitByName(ctx, "Tin"); err != nil || u.Load != "Loco" {
		t.Errorf("%+v, %v", u, err)
	}
	loads, err1 := to.Loads().All(ctx)
	rigs, err2 := to.Rigs().All(ctx)
	sets, err3 := to.Criteria().All(ctx)
	if err := errors.Join(err1, err2, err3); err != nil || len(loads) != 9 || loads[8].Name != "Loco (2)" || len(rigs) != 2 || len(sets) != 2 || sets[1].Version != 1 {
		t.Errorf("%+v\n%+v\n%+v, %v", loads, rigs, sets, err)
	}
	// What no program of ours would have written is refused, and nothing of it stays.
	rec, err := from.Recording(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	rec.UUID, rec.Load = "", &trace.Load{Name: "heavy", StallA: -1}
	if _, err := to.ImportRecordings(ctx, func(yield func(trace.Recording, error) bool) { yield(rec, nil) }); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("a load out of range: %v", err)
	}
}
