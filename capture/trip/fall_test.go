package trip_test

import (
	"math"
	"testing"

	"letthrough/capture/trace"
)

// After a run was ended by hand, a last fall that nobody marked stays not resolved until somebody
// says whose it was; then the figures follow.
func TestFinalFallIsAskedAbout(t *testing.T) {
	fall := wave(1000, 0, 12, func(t float64) float64 { return between(t, 2, 6, 4) })
	for _, c := range []struct {
		name      string
		answer    trace.FinalFall
		behaviour trace.Behaviour
		bound     trace.Bound
		marked    bool
		hold      float64
	}{
		{"nothing asked: the unit", "", trace.Latching, trace.Exact, true, 8},
		{"asked and not answered", trace.FallAsked, trace.BehaviourUnsure, trace.NotResolved, false, 4},
		{"the contact was opened", trace.FallOpened, trace.Sustained, trace.AtLeast, false, 4},
		{"the unit did it", trace.FallCutOff, trace.Latching, trace.Exact, true, 8},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := finish(t, trace.Settings{RatedCurrentA: 1, HoldS: 8, FinalFall: c.answer}, fall)
			if d.Behaviour != c.behaviour {
				t.Errorf("behaviour %s, want %s", d.Behaviour, c.behaviour)
			}
			bound(t, d, "time_to_cutoff_s", c.bound)
			if _, ok := d.FirstMark(trace.CutOff); ok != c.marked {
				t.Errorf("cut-off marked: %v, want %v", ok, c.marked)
			}
			if f := figure(t, d, "hold_s"); math.Abs(f.Value-c.hold) > 0.002 {
				t.Errorf("held %v s, want %v", f.Value, c.hold)
			}
			asked := false
			for _, w := range d.Warnings {
				asked = asked || w.Code == "final_fall"
			}
			if asked != (c.answer == trace.FallAsked) {
				t.Errorf("asked: %v", asked)
			}
		})
	}
	t.Run("a removed mark answers it", func(t *testing.T) {
		d := finish(t, trace.Settings{RatedCurrentA: 1, HoldS: 8, FinalFall: trace.FallAsked}, fall, trace.Mark{Kind: trace.Removed, T: 6.3, By: trace.Hand})
		if d.Behaviour != trace.Sustained {
			t.Errorf("behaviour %s, want sustained", d.Behaviour)
		}
	})
	t.Run("a cut-off with retries after it needs no answer", func(t *testing.T) {
		again := wave(1000, 0, 14, func(t float64) float64 {
			return between(t, 2, 3, 4) + between(math.Mod(t, 2), 0, 0.3, 4)*between(t, 3.5, 13, 1)
		})
		d := finish(t, trace.Settings{RatedCurrentA: 1, HoldS: 10, FinalFall: trace.FallAsked}, again)
		if d.Behaviour != trace.AutoRetry {
			t.Errorf("behaviour %s, want auto_retry", d.Behaviour)
		}
		bound(t, d, "time_to_cutoff_s", trace.Exact)
	})
}

// A trace that ends well before the stated hold: what goes on to the end of the hold is a bound, and
// a unit that was off for a part of it may yet have tried again.
func TestReadingsThatEndBeforeTheHold(t *testing.T) {
	hold := func(s float64) trace.Settings { return trace.Settings{RatedCurrentA: 1, HoldS: s} }
	quick := func(t float64) float64 { return between(t, 2, 3, 4) }
	for _, c := range []struct {
		name      string
		set       trace.Settings
		current   []trace.Sample
		behaviour trace.Behaviour
		count     trace.Bound
		warned    bool
	}{
		{"seen whole", hold(8), wave(1000, 0, 12, quick), trace.Latching, trace.Exact, false},
		{"a last reading short of the hold's end", hold(8), wave(1000, 0, 9.9, quick), trace.Latching, trace.Exact, false},
		{"most of it seen", hold(8), wave(1000, 0, 8, quick), trace.Latching, trace.AtLeast, true},
		{"less than half of it seen", hold(30), wave(1000, 0, 6, quick), trace.BehaviourUnsure, trace.AtLeast, true},
		{"no hold stated: to the end of the trace", hold(0), wave(1000, 0, 6, quick), trace.Latching, trace.Exact, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := finish(t, c.set, c.current)
			if d.Behaviour != c.behaviour {
				t.Errorf("behaviour %s, want %s", d.Behaviour, c.behaviour)
			}
			for _, key := range []string{"retry_count", "hold_s", "hold_a2s", "charge_c"} {
				bound(t, d, key, c.count)
			}
			warned := false
			for _, w := range d.Warnings {
				warned = warned || w.Code == "cut_short"
			}
			if warned != c.warned {
				t.Errorf("warned %v, want %v", warned, c.warned)
			}
			bound(t, d, "time_to_cutoff_s", trace.Exact)
		})
	}
}

func TestNothingSeenSaysWhatWouldNotShow(t *testing.T) {
	d := finish(t, trace.Settings{RatedCurrentA: 1}, wave(2.5, 0, 20, func(float64) float64 { return 0 }))
	if len(d.Warnings) != 1 || d.Warnings[0].Code != "slow" {
		t.Errorf("warnings %v, want slow", d.Warnings)
	}
	d = finish(t, trace.Settings{RatedCurrentA: 1}, wave(1000, 0, 20, func(t float64) float64 { return between(t, 2, 2.001, 9) }))
	if len(d.Warnings) != 1 || d.Warnings[0].Code != "single_reading" {
		t.Errorf("warnings %v, want single_reading", d.Warnings)
	}
}
