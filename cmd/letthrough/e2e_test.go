package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"io"
	"math"
	"path/filepath"
	"testing"

	"github.com/creack/pty"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/store"
)

// TestShelfThroughPseudoTerminals runs the headless demo as it is and holds every figure against what
// the simulation did, and the stored runs against the live figures.
func TestShelfThroughPseudoTerminals(t *testing.T) {
	if testing.Short() {
		t.Skip("tests a whole shelf")
	}
	db := tempDB(t)
	p := launch(t, "demo", "--headless", "--speed", shelfSpeed, "--db", db, "--json")
	out, err := io.ReadAll(p.out)
	if err != nil {
		t.Fatal(err)
	}
	if status := <-p.status; status != exitDone {
		t.Fatalf("exit status %d; standard error: %s", status, p.stderr)
	}
	p.status <- exitDone
	var entries []struct {
		Unit  string
		Run   int64
		Truth truth
		trace.Derivation
	}
	if err := json.Unmarshal(out, &entries); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	if len(entries) != len(sim.Shelf()) {
		t.Fatalf("%d entries, want one a unit of the shelf", len(entries))
	}
	kept, err := store.Open(context.Background(), db, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer kept.Close()
	for _, e := range entries {
		t.Run(e.Unit, func(t *testing.T) {
			if want := e.Truth.Behaviour; e.Behaviour != want {
				t.Errorf("behaviour %s, the simulation did %s", e.Behaviour, want)
			}
			sameMarks(t, e.Unit, e.Marks, e.Truth.Marks)
			compared := 0
			for _, f := range e.Figures {
				if did, ok := e.Truth.figures[f.Key]; ok && f.Bound.HasValue() && !otherwise(e.Unit, f.Key) {
					compared++
					if !agrees(e.Unit, f, did) {
						t.Errorf("%s: %g ± %g (%s), the simulation did %g", f.Key, f.Value, f.U, f.Bound, did)
					}
				}
			}
			if compared < 4 {
				t.Errorf("only %d figures could be compared", compared)
			}
			storedAsLive(t, kept, e.Run, e.Derivation)
		})
	}
}

// truth is what the simulation says it did: figures by their keys, beside everything else.
type truth struct {
	Behaviour trace.Behaviour
	Marks     []trace.Mark
	figures   map[string]float64
}

func (t *truth) UnmarshalJSON(b []byte) error {
	type plain truth
	if err := json.Unmarshal(b, (*plain)(t)); err != nil {
		return err
	}
	var all map[string]any
	if err := json.Unmarshal(b, &all); err != nil {
		return err
	}
	t.figures = map[string]float64{}
	for key, v := range all {
		if f, ok := v.(float64); ok {
			t.figures[key] = f
		}
	}
	return nil
}

// sameMarks holds the marks by which the phases begin against those of the simulation.
func sameMarks(t *testing.T, unit string, got, want []trace.Mark) {
	t.Helper()
	slack := 0.002
	if rippled(unit) {
		slack = 0.01 // a half-wave at 50 Hz
	}
	begins := func(marks []trace.Mark) (out []trace.Mark) {
		for _, m := range marks {
			switch m.Kind {
			case trace.Onset, trace.CutOff, trace.RetryOn, trace.RetryOff, trace.Limited:
				out = append(out, m)
			}
		}
		return out
	}
	got, want = begins(got), begins(want)
	for i := range max(len(got), len(want)) {
		switch {
		case i >= len(got):
			t.Errorf("mark %d: none, the simulation did %s at %.4f s", i, want[i].Kind, want[i].T)
		case i >= len(want):
			t.Errorf("mark %d: %s at %.4f s, the simulation did nothing", i, got[i].Kind, got[i].T)
		case got[i].Kind != want[i].Kind || math.Abs(got[i].T-want[i].T) > got[i].U+slack:
			t.Errorf("mark %d: %s at %.4f ± %.4f s, the simulation did %s at %.4f s", i, got[i].Kind, got[i].T, got[i].U, want[i].Kind, want[i].T)
		}
	}
}

// otherwise are figures that the simulation and the detector define a little differently on an output
// with ripple: the simulation waits 30 ms before it calls one back, and takes no form factor of the
// fold itself.
func otherwise(unit, key string) bool {
	return rippled(unit) && (key == "restored_after_s" || key == "form_factor")
}

// rippled names the units whose output a thousand readings a second see only coarsely. Readings
// locked to the ripple leave about half a per cent that no statement of uncertainty sees.
func rippled(unit string) bool { return unit == "Amber" || unit == "Moss" || unit == "Flint" }

// agrees tells whether a figure is right. Half as much again as U: with k = 2, one figure in twenty
// may lie outside U itself.
func agrees(unit string, f trace.Figure, truth float64) bool {
	slack := 1.5*f.U + 1e-9
	if rippled(unit) {
		slack += 0.005 * math.Abs(truth)
	}
	switch f.Bound {
	case trace.AtMost:
		return truth <= f.Value+slack
	case trace.AtLeast:
		return truth >= f.Value-slack
	}
	return math.Abs(f.Value-truth) <= slack
}

// storedAsLive derives a stored run again from its samples: the same as was shown live, to the bit.
func storedAsLive(t *testing.T, db *store.DB, id int64, live trace.Derivation) {
	t.Helper()
	ctx := context.Background()
	r, err := db.Run(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	if r.State != trace.RunComplete {
		t.Errorf("run %d is %s, want complete", id, r.State)
	}
	marks, err := db.OutsideMarks(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	again, err := derive(r.Settings, marks, db.Batches(ctx, id))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range again.Figures {
		want := jsonOf(t, f)
		for what, d := range map[string]trace.Derivation{"kept": r.Derivation, "live": live} {
			g, _ := d.Figures.Get(f.Key)
			if got := jsonOf(t, g); got != want {
				t.Errorf("run %d, %s %s: %s; derived again: %s", id, f.Key, what, got, want)
			}
		}
	}
	if len(live.Marks) != len(again.Marks) {
		t.Errorf("run %d: %d marks live, %d derived again", id, len(live.Marks), len(again.Marks))
	}
}

func jsonOf(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// board starts a simulated instrument with a port that can be pulled.
func board(t *testing.T, speed float64) *sim.Stand {
	t.Helper()
	m := sim.DefaultMeter(500)
	s, err := sim.NewStand(sim.NewClock(speed), sim.StandOptions{
		Meter: m, Seed: 3, Smooth: true, Link: filepath.Join(t.TempDir(), "board"),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func TestServeRecordsByItselfAndEndsInOrder(t *testing.T) {
	stand := board(t, 10)
	db := tempDB(t)
	s := serve(t, "serve", "--addr", "127.0.0.1:0", "--db", db, "--speed", "10",
		"--instrument", "board=text:"+stand.Path()+"?time=us&wrap=32",
		"--arm", "--unit", "Tin", "--rated-current", "1.4", "--rated-voltage", "12", "--hold", "8s")
	s.until("readings", func(st state) bool { return len(st.Instruments) == 1 && len(st.Instruments[0].Latest) > 0 })
	if err := stand.Contact().Close(); err != nil {
		t.Fatal(err)
	}
	st := s.until("a run by itself", func(st state) bool { return st.Run != nil })
	run := *st.Run
	s.until("the end of the run", func(st state) bool { return st.LastRun != nil && *st.LastRun == run })
	if err := stand.Contact().Open(); err != nil {
		t.Fatal(err)
	}
	if kept := s.kept(run); kept.State != "complete" || kept.Behaviour != "auto_retry" {
		t.Errorf("run %d: %+v; want complete, auto_retry", run, kept)
	}
	if status := s.stop(); status != exitDone {
		t.Errorf("exit status %d, want 0; standard error: %s", status, s.stderr)
	}
	exists(t, db)
}

func TestEndingInTheMiddleOfARunKeepsIt(t *testing.T) {
	stand := board(t, 10)
	db := tempDB(t)
	s := serve(t, "serve", "--addr", "127.0.0.1:0", "--db", db, "--speed", "10",
		"--instrument", "board=text:"+stand.Path()+"?time=us&wrap=32",
		"--arm", "--unit", "Moss", "--rated-current", "0.3", "--hold", "600")
	s.until("readings", func(st state) bool { return len(st.Instruments) == 1 && len(st.Instruments[0].Latest) > 0 })
	if err := stand.Contact().Close(); err != nil {
		t.Fatal(err)
	}
	s.until("two seconds of fault", func(st state) bool { return st.SinceOnsetS != nil && *st.SinceOnsetS > 2 })
	if status := s.stop(); status != exitDone {
		t.Fatalf("exit status %d, want 0; standard error: %s", status, s.stderr)
	}
	kept, err := store.Open(context.Background(), db, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer kept.Close()
	r, err := kept.Run(context.Background(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if r.State != trace.RunInterrupted || r.Samples < 1000 || len(r.Derivation.Figures) == 0 {
		t.Errorf("run 1 is %s with %d samples and %d figures; want interrupted, with all it has", r.State, r.Samples, len(r.Derivation.Figures))
	}
}

func TestPullingThePlugKeepsTheRunAndMarksTheGap(t *testing.T) {
	stand := board(t, 5)
	db := tempDB(t)
	s := serve(t, "serve", "--addr", "127.0.0.1:0", "--db", db, "--speed", "5",
		"--instrument", "board=text:"+stand.Path()+"?time=us&wrap=32",
		"--arm", "--unit", "Moss", "--rated-current", "0.3", "--hold", "40")
	s.until("readings", func(st state) bool { return len(st.Instruments) == 1 && len(st.Instruments[0].Latest) > 0 })
	if err := stand.Contact().Close(); err != nil {
		t.Fatal(err)
	}
	s.until("some fault", func(st state) bool { return st.SinceOnsetS != nil && *st.SinceOnsetS > 2 })
	if err := stand.Unplug(); err != nil {
		t.Fatal(err)
	}
	s.until("that it is unplugged", func(st state) bool {
		return st.Instruments[0].State == "unplugged" || st.Instruments[0].State == "reconnecting"
	})
	if err := stand.Replug(); err != nil {
		t.Fatal(err)
	}
	s.until("readings again", func(st state) bool { return st.Instruments[0].State == "receiving" })
	s.until("the end of the run", func(st state) bool { return st.LastRun != nil })
	kept := s.kept(1)
	if kept.State != "complete" {
		t.Errorf("run is %s, want complete", kept.State)
	}
	gap := false
	for _, w := range kept.Warnings {
		gap = gap || w.Code == "gap"
	}
	if !gap {
		t.Errorf("no warning of the gap in %s", sprint(kept))
	}
}

func TestNoiseIsCountedAndBecomesNoNumber(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	s := serve(t, "serve", "--addr", "127.0.0.1:0", "--db", tempDB(t), "--instrument", "board=text:"+slave.Name())
	slave.Close()
	// What nobody has read yet stays within what the terminal holds, so that writing never blocks.
	noise := make([]byte, 300)
	st := s.until("garbled lines", func(st state) bool {
		rand.Read(noise)
		for i := range noise {
			noise[i] |= 0x80 // no digits by accident
		}
		noise[100], noise[299] = '\n', '\n'
		if _, err := master.Write(noise); err != nil {
			t.Fatal(err)
		}
		return len(st.Instruments) == 1 && st.Instruments[0].State == "garbled" && st.Instruments[0].Garbled > 10
	})
	if in := st.Instruments[0]; in.LastGarbled == "" || len(in.Latest) != 0 {
		t.Errorf("state %+v, want the offending bytes and no reading", in)
	}
	if status := s.stop(); status != exitDone {
		t.Errorf("exit status %d; standard error: %s", status, s.stderr)
	}
}

func TestDemoTestsItsShelfUntilSomebodyTouchesAControl(t *testing.T) {
	s := serve(t, "demo", "--addr", "127.0.0.1:0", "--db", tempDB(t), "--speed", "20")
	st := s.until("a run by itself", func(st state) bool { return st.Run != nil })
	if status := s.ask("/api/end", map[string]any{}, nil); status != 200 {
		t.Fatalf("end: status %d", status)
	}
	first := *st.Run
	s.until("the end of that run", func(st state) bool { return st.LastRun != nil && *st.LastRun == first })
	if status := s.ask("/api/arm", map[string]any{"unit": "Slate", "hold_s": 5}, nil); status != 200 {
		t.Fatalf("arm Slate: status %d; standard error: %s", status, s.stderr)
	}
	armedAt := s.until("the bench armed", func(st state) bool { return st.Bench == "armed" }).NowAtS
	s.until("two seconds of quiet", func(st state) bool { return st.NowAtS > armedAt+2 })
	if status := s.ask("/api/mark", map[string]any{"kind": "applied"}, nil); status != 200 {
		t.Fatalf("mark applied: status %d", status)
	}
	st = s.until("the visitor's run", func(st state) bool { return st.Run != nil && *st.Run != first })
	mine := *st.Run
	s.until("its end", func(st state) bool { return st.LastRun != nil && *st.LastRun == mine })
	if kept := s.kept(mine); kept.Behaviour != "latching" {
		t.Errorf("the visitor's test of Slate came out as %q, want latching", kept.Behaviour)
	}
	if status := s.ask("/api/arm", map[string]any{"unit": "Granite"}, nil); status/100 != 4 {
		t.Errorf("arming for a unit that is not on the shelf: status %d, want a refusal", status)
	}
	if status := s.stop(); status != exitDone {
		t.Errorf("exit status %d; standard error: %s", status, s.stderr)
	}
}

func TestAFreshDemoHasRunsToLookBackAt(t *testing.T) {
	s := serve(t, "demo", "--addr", "127.0.0.1:0")
	var page struct {
		Runs []struct {
			ID                           int64
			Unit, State, Behaviour, Note string
			Procedure                    string
		}
	}
	s.ask("/api/runs", nil, &page)
	found := map[string]string{}
	for _, r := range page.Runs {
		if r.Note != "" {
			found[r.Unit+" "+r.Procedure] = r.State + " " + r.Behaviour
		}
	}
	for run, want := range map[string]string{"Tin short": "complete auto_retry", "Amber short": "complete fold_back", "Slate ramp": "complete tripped", "Flint overload": "complete auto_retry"} {
		if found[run] != want {
			t.Errorf("%s: %q, want %q", run, found[run], want)
		}
	}
	if status := s.stop(); status != exitDone {
		t.Errorf("exit status %d; standard error: %s", status, s.stderr)
	}
}

func TestASilentInstrumentIsSaidToBeSilentAndKeepsNoRunOpen(t *testing.T) {
	stand := board(t, 4)
	s := serve(t, "serve", "--addr", "127.0.0.1:0", "--db", tempDB(t), "--speed", "4",
		"--instrument", "board=text:"+stand.Path()+"?time=us&wrap=32",
		"--arm", "--unit", "Moss", "--rated-current", "0.3", "--hold", "20")
	s.until("readings", func(st state) bool { return len(st.Instruments) == 1 && len(st.Instruments[0].Latest) > 0 })
	if err := stand.Contact().Close(); err != nil {
		t.Fatal(err)
	}
	s.until("some fault", func(st state) bool { return st.SinceOnsetS != nil && *st.SinceOnsetS > 1 })
	if err := stand.Unplug(); err != nil {
		t.Fatal(err)
	}
	s.until("the end of the run", func(st state) bool { return st.LastRun != nil })
	if k := s.kept(1); k.State != "complete" {
		t.Errorf("run is %s, want complete", k.State)
	}
}
