package trip_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

// A latch of 35 ms on a meter that reads ten times a second: what it let through is at least what was seen, and, where
// somebody knows the prospective current, at most its square times the longest time.
func TestLetThroughAtMostFromTheProspectiveCurrent(t *testing.T) {
	slow := sim.Meter{RateHz: 10, AveragingS: 0.1, NoiseA: 0.003, ResolutionA: 0.001}
	rec := record(t, "Slate", sim.ShortTest(2, 8, 3), slow, 4)
	truth := rec.Truth.Figures["let_through_a2s"]
	if f := figure(t, finish(t, rec.Settings, rec.Current), "let_through_a2s"); f.Bound != trace.AtLeast || f.Value-f.U > truth {
		t.Errorf("nothing stated: %+v, it was %g", f, truth)
	}
	rec.Settings.ProspectiveA = 1.1 * rec.Truth.Figures["prospective_current_a"]
	d := finish(t, rec.Settings, rec.Current)
	f, cut := figure(t, d, "let_through_a2s"), figure(t, d, "time_to_cutoff_s")
	want := math.Pow(rec.Settings.ProspectiveA, 2) * (cut.Value + cut.U)
	if f.Bound != trace.AtMost || f.Value < truth || math.Abs(f.Value-want) > 1e-9 || !strings.Contains(f.Why, "stated prospective current") {
		t.Errorf("%+v, want %g; it was %g", f, want, truth)
	}
	// Less than what was seen cannot have been it.
	rec.Settings.ProspectiveA = 0.5
	if f := figure(t, finish(t, rec.Settings, rec.Current), "let_through_a2s"); f.Bound != trace.AtLeast {
		t.Errorf("half an ampere stated: %+v", f)
	}
}

// One stray reading at the beginning, of half a line or of an inductance's kick, is no open-circuit voltage: the
// output that follows is, and its return after the short is seen.
func TestAStrayFirstVoltageIsNoOpenLevel(t *testing.T) {
	rec := record(t, "Clay", sim.ShortTest(2, 6, 6), sim.Meter{RateHz: 1000, NoiseA: 0.003, ResolutionA: 0.001, Voltage: true}, 4)
	if len(rec.Voltage) == 0 {
		t.Fatal("no voltage was recorded")
	}
	whole := func() int { return 500 }
	want := derive(t, rec, whole)
	rec.Voltage = slices.Clone(rec.Voltage)
	rec.Voltage[0].Value *= 2.2
	got := derive(t, rec, whole)
	open, _ := want.Figures.Get("open_volts")
	if open.Bound != trace.Exact || want.Recovery != trace.ByItself {
		t.Fatalf("without it: %+v, %s", open, want.Recovery)
	}
	if f, _ := got.Figures.Get("open_volts"); f.Bound != trace.Exact || math.Abs(f.Value-open.Value) > open.U+0.05 || got.Recovery != trace.ByItself {
		t.Errorf("open volts %+v, want %g; recovery %s", f, open.Value, got.Recovery)
	}
}
