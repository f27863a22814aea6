package store_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"letthrough/capture/trace"
	"letthrough/store"
)

// eventually waits until ok, looking every few milliseconds.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(20 * time.Second)
	for !ok() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("not within 20 s: %s", what)
		}
	}
}

// shelf stores seven runs: three of Tin, two of Slate, two of a unit whose name is a pattern.
func shelf(t *testing.T, db *store.DB) {
	t.Helper()
	for i, r := range []struct {
		unit string
		b    trace.Behaviour
		p    trace.Procedure
		note string
	}{
		{"Tin", trace.AutoRetry, trace.Short, ""}, {"Slate", trace.Latching, trace.Short, "warm"}, {"Tin", trace.AutoRetry, trace.Short, "second go"},
		{"100%_Moss", trace.Sustained, trace.Short, ""}, {"Tin", trace.Tripped, trace.Ramp, ""}, {"Slate", trace.Latching, trace.Overload, ""}, {"100%_Moss", trace.Sustained, trace.Short, ""},
	} {
		s, e := startOf(trace.Unit{Name: r.unit}), endOf(r.b)
		s.Started = time.Date(2026, 4, 1+i, 12, 0, 0, 0, time.UTC)
		s.Note, s.Settings.Procedure, e.Settings.Procedure = r.note, r.p, r.p
		e.Derivation.Figures[0].Value = float64(i)
		record(t, db, s, e)
	}
}

func TestRunsAreListed(t *testing.T) {
	db := mustOpen(t)
	shelf(t, db)
	if err := db.Exclude(ctx, 3, "slipped"); err != nil {
		t.Fatal(err)
	}
	slate, err := db.UnitByName(ctx, "slate")
	if err != nil {
		t.Fatal(err)
	}
	day := func(d int) time.Time { return time.Date(2026, 4, d, 0, 0, 0, 0, time.UTC) }
	tests := map[string]struct {
		q    store.RunQuery
		want string
	}{
		"newest first":          {store.RunQuery{}, "7 6 5 4 3 2 1"},
		"by unit's name":        {store.RunQuery{Unit: "tin"}, "5 3 1"},
		"by unit's number":      {store.RunQuery{Unit: itoa(slate.ID)}, "6 2"},
		"by procedure":          {store.RunQuery{Procedure: trace.Ramp}, "5"},
		"by behaviour":          {store.RunQuery{Behaviour: trace.Sustained}, "7 4"},
		"by state":              {store.RunQuery{State: trace.RunExcluded}, "3"},
		"from and to":           {store.RunQuery{From: day(3), To: day(6)}, "5 4 3"},
		"words":                 {store.RunQuery{Q: "slate warm"}, "2"},
		"words in the note":     {store.RunQuery{Q: "GO"}, "3"},
		"a pattern is no joker": {store.RunQuery{Q: "%_"}, "7 4"},
		"nothing":               {store.RunQuery{Unit: "Fern"}, ""},
		"oldest first":          {store.RunQuery{Sort: "started"}, "1 2 3 4 5 6 7"},
		"sorted by unit":        {store.RunQuery{Sort: "unit"}, "4 7 2 6 1 3 5"},
		"sorted by unit, back":  {store.RunQuery{Sort: "-unit"}, "5 3 1 6 2 7 4"},
		"sorted by behaviour":   {store.RunQuery{Sort: "behaviour"}, "1 3 2 6 4 7 5"},
		"sorted by state":       {store.RunQuery{Sort: "-state"}, "3 7 6 5 4 2 1"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			for _, limit := range []int{0, 1, 2, 3} {
				q := test.q
				q.Limit = limit
				var ids []string
				for {
					page, err := db.Runs(ctx, q)
					if err != nil {
						t.Fatal(err)
					}
					for _, r := range page.Runs {
						ids = append(ids, itoa(r.ID))
						if f, ok := r.Figures.Get("time_to_cutoff_s"); !ok || f.Value != float64(r.ID-1) {
							t.Errorf("run %d has figures %+v", r.ID, r.Figures)
						}
					}
					if page.Next == nil {
						break
					}
					q.After = *page.Next
				}
				if got := strings.Join(ids, " "); got != test.want {
					t.Errorf("in pages of %d: runs %s, want %s", limit, got, test.want)
				}
			}
		})
	}
	for name, q := range map[string]store.RunQuery{"limit below": {Limit: -1}, "limit above": {Limit: 1001}, "sort": {Sort: "colour"}, "after": {After: "x"}} {
		if _, err := db.Runs(ctx, q); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: got %v, want out of range", name, err)
		}
	}
}

func TestUnits(t *testing.T) {
	db := mustOpen(t)
	made, err := db.CreateUnit(ctx, trace.Unit{Name: "  Tin ", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC, Note: "lid missing"})
	if err != nil || made.ID == 0 || made.Name != "Tin" {
		t.Fatalf("got %+v, %v; want Tin with a number", made, err)
	}
	if got, err := db.Unit(ctx, made.ID); err != nil || got != made {
		t.Errorf("read back %+v, %v; want %+v", got, err, made)
	}
	if got, err := db.EnsureUnit(ctx, trace.Unit{Name: "TIN"}); err != nil || got != made {
		t.Errorf("ensured %+v, %v; want the one there is", got, err)
	}
	slate, err := db.EnsureUnit(ctx, trace.Unit{Name: "Slate"})
	if err != nil || slate.ID == made.ID {
		t.Fatalf("ensured %+v, %v; want a new one", slate, err)
	}
	slate.RatedCurrentA = 1.5
	if got, err := db.UpdateUnit(ctx, slate); err != nil || got != slate {
		t.Errorf("changed to %+v, %v; want %+v", got, err, slate)
	}
	if units, err := db.Units(ctx); err != nil || len(units) != 2 || units[0] != slate || units[1] != made {
		t.Errorf("list is %+v, %v; want Slate and Tin", units, err)
	}
	nameless, taken := made, slate
	nameless.Name, taken.Name = " ", "tin"
	tests := map[string]struct {
		err  error
		want *store.Error
	}{
		"same name":           {second(db.CreateUnit(ctx, trace.Unit{Name: "tIN"})), store.ErrConflict},
		"renamed to another":  {second(db.UpdateUnit(ctx, taken)), store.ErrConflict},
		"no name":             {second(db.CreateUnit(ctx, trace.Unit{})), store.ErrInvalid},
		"name taken away":     {second(db.UpdateUnit(ctx, nameless)), store.ErrInvalid},
		"rating out of range": {second(db.CreateUnit(ctx, trace.Unit{Name: "x", RatedCurrentA: math.NaN()})), store.ErrInvalid},
		"unknown waveform":    {second(db.CreateUnit(ctx, trace.Unit{Name: "x", Waveform: "saw"})), store.ErrInvalid},
		"read, not there":     {second(db.Unit(ctx, 99)), store.ErrNotFound},
		"named, not there":    {second(db.UnitByName(ctx, "Fern")), store.ErrNotFound},
		"changed, not there":  {second(db.UpdateUnit(ctx, trace.Unit{ID: 99, Name: "x"})), store.ErrNotFound},
		"deleted, not there":  {db.DeleteUnit(ctx, 99), store.ErrNotFound},
	}
	for name, test := range tests {
		if !errors.Is(test.err, test.want) {
			t.Errorf("%s: got %v, want %s", name, test.err, test.want.Code)
		}
	}
	id := record(t, db, startOf(tin), endOf(trace.Latching))
	if r := mustRun(t, db, id); r.UnitID == nil || *r.UnitID != made.ID {
		t.Errorf("the run's unit is %v, want the Tin there was", r.UnitID)
	}
	if err := db.DeleteUnit(ctx, made.ID); !errors.Is(err, store.ErrConflict) || !strings.Contains(err.Error(), "1 runs") {
		t.Errorf("deleting a unit with a run: %v, want conflict", err)
	}
	if err := db.DeleteUnit(ctx, slate.ID); err != nil {
		t.Error(err)
	}
}

func TestNote(t *testing.T) {
	db := mustOpen(t)
	id := record(t, db, startOf(tin), endOf(trace.Latching))
	if err := db.SetNote(ctx, id, "smelled warm"); err != nil {
		t.Fatal(err)
	}
	if r := mustRun(t, db, id); r.Note != "smelled warm" {
		t.Errorf("note is %q", r.Note)
	}
	if err := db.SetNote(ctx, id, strings.Repeat("x", 10_001)); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("a note too long: %v, want out of range", err)
	}
	if err := db.SetNote(ctx, 99, "x"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("no such run: %v, want not found", err)
	}
}

func TestErrorsReadAsOneSentence(t *testing.T) {
	e := &store.Error{Code: "x", Text: "the disk is full", Hint: "free some space"}
	if got := fmt.Sprint(e); got != "the disk is full; free some space" {
		t.Errorf("got %q", got)
	}
}
