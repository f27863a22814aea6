package trip_test

import (
	"math"
	"strings"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"

	"pgregory.net/rapid"
)

// The rule that opening the contact is not protection.
func TestRemovalIsNoCutOff(t *testing.T) {
	rated := trace.Settings{RatedCurrentA: 1}
	steady := func(until float64) []trace.Sample {
		return wave(1000, 0, 20, func(t float64) float64 { return between(t, 2, until, 4) })
	}
	removed := func(at float64, by trace.By) trace.Mark {
		return trace.Mark{Kind: trace.Removed, T: at, By: by}
	}
	with := func(s trace.Settings, f func(*trace.Settings)) trace.Settings { f(&s); return s }
	for _, c := range []struct {
		name      string
		set       trace.Settings
		current   []trace.Sample
		marks     []trace.Mark
		behaviour trace.Behaviour
		bound     trace.Bound // of time_to_cutoff_s
		value     float64
	}{
		{"a fall without a mark is a cut-off", rated, steady(8), nil, trace.Latching, trace.Exact, 6},
		{"a fall half a second before the key is the removal", rated, steady(8), []trace.Mark{removed(8.5, trace.Hand)}, trace.Sustained, trace.AtLeast, 6},
		{"a fall half a second after the key is the removal", rated, steady(8), []trace.Mark{removed(7.5, trace.Hand)}, trace.Sustained, trace.AtLeast, 6},
		{"a fall long before the key is a cut-off", rated, steady(8), []trace.Mark{removed(12, trace.Hand)}, trace.Latching, trace.Exact, 6},
		{"a fall at a driven opening is the removal", rated, steady(8), []trace.Mark{removed(8.02, trace.Contact)}, trace.Sustained, trace.AtLeast, 6},
		{"a fall well before a driven opening is a cut-off", rated, steady(8), []trace.Mark{removed(8.5, trace.Contact)}, trace.Latching, trace.Exact, 6},
		{"the end of a stated hold counts as removed", with(rated, func(s *trace.Settings) { s.HoldS = 6 }), steady(8.4), nil, trace.Sustained, trace.AtLeast, 6},
		{"current beyond the hold is not watched", with(rated, func(s *trace.Settings) { s.HoldS = 5 }), steady(18), nil, trace.Sustained, trace.AtLeast, 5},
		{"a removal stated as a setting", with(rated, func(s *trace.Settings) { at := 8.2; s.RemovedAtS = &at }), steady(8), nil, trace.Sustained, trace.AtLeast, 6},
		{"limited until the removal", rated, wave(1000, 0, 20, func(t float64) float64 { return between(t, 2, 8, 1.1) }), []trace.Mark{removed(8, trace.Hand)}, trace.LimitedCurrent, trace.NotApplicable, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := finish(t, c.set, c.current, c.marks...)
			if d.Behaviour != c.behaviour {
				t.Errorf("behaviour %s, want %s", d.Behaviour, c.behaviour)
			}
			f := bound(t, d, "time_to_cutoff_s", c.bound)
			if math.Abs(f.Value-c.value) > 0.01 {
				t.Errorf("time %v, want %v", f.Value, c.value)
			}
			if _, ok := d.FirstMark(trace.CutOff); ok != (c.behaviour == trace.Latching) {
				t.Errorf("cut-off mark present: %v", ok)
			}
		})
	}
}

// What must not be taken for what it is not.
func TestShapes(t *testing.T) {
	rated := trace.Settings{RatedCurrentA: 1}
	for _, c := range []struct {
		name      string
		set       trace.Settings
		current   []trace.Sample
		marks     []trace.Mark
		behaviour trace.Behaviour
		figures   map[string]float64 // exact, within 1 %
	}{
		{"quiet trace", rated, wave(1000, 0, 5, func(float64) float64 { return 0 }), nil, trace.None, nil},
		{"one spike is no onset", rated, wave(1000, 0, 5, func(t float64) float64 { return between(t, 2, 2.001, 30) }), nil, trace.None, nil},
		{"applied but nothing seen is not resolved", rated, wave(1000, 0, 5, func(float64) float64 { return 0 }),
			[]trace.Mark{{Kind: trace.Applied, T: 2, By: trace.Hand}}, trace.BehaviourUnsure, nil},
		{"reversed leads", rated, wave(1000, 0, 9, func(t float64) float64 { return -between(t, 2, 3, 4) }), nil, trace.Latching,
			map[string]float64{"time_to_cutoff_s": 1, "sustained_current_a": 4, "charge_c": 4}},
		{"a standing load before the short", rated, wave(1000, 0, 9, func(t float64) float64 {
			if t < 2 {
				return 0.6
			}
			return between(t, 2, 3, 4)
		}), nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 1, "sustained_current_a": 4}},
		{"a standing load switched off before the short", rated, wave(1000, 0, 9, func(t float64) float64 {
			return between(t, 0, 2, 0.6) + between(t, 4, 5, 4)
		}), nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 1, "sustained_current_a": 4}},
		{"an offset", rated, wave(1000, 0, 9, func(t float64) float64 { return 0.12 + between(t, 2, 3, 4) }), nil, trace.Latching,
			map[string]float64{"time_to_cutoff_s": 1, "sustained_current_a": 4.12, "residual_current_a": 0.12}},
		{"a drifting zero", rated, wave(1000, 0, 30, func(t float64) float64 { return 0.01*t + between(t, 20, 21, 4) }), nil, trace.Latching,
			map[string]float64{"time_to_cutoff_s": 1}},
		{"a current that stays", rated, wave(1000, 0, 9, func(t float64) float64 { return between(t, 2, 100, 4) }), nil, trace.Sustained,
			map[string]float64{"sustained_current_a": 4, "hold_s": 7}},
		{"an exponential tail after the cut-off", rated, wave(1000, 0, 9, func(t float64) float64 {
			if t >= 3 {
				return 4 * math.Exp(-(t-3)/0.02)
			}
			return between(t, 2, 3, 4)
		}), nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 1 + 0.02*math.Ln2}},
		{"a trip in the last sample", rated, wave(1000, 0, 3.001, func(t float64) float64 { return between(t, 2, 3, 4) }), nil, trace.Latching,
			map[string]float64{"time_to_cutoff_s": 1}},
		{"a second short after the removal is no retry", rated, wave(1000, 0, 20, func(t float64) float64 {
			return between(t, 2, 3, 4) + between(t, 12, 13, 4)
		}), []trace.Mark{{Kind: trace.Removed, T: 8, By: trace.Hand}}, trace.Latching, map[string]float64{"time_to_cutoff_s": 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := finish(t, c.set, c.current, c.marks...)
			if d.Behaviour != c.behaviour {
				t.Fatalf("behaviour %s, want %s", d.Behaviour, c.behaviour)
			}
			for key, want := range c.figures {
				near(t, d, key, want, 0.01*want)
			}
		})
	}
}

func TestBeganInsideAFault(t *testing.T) {
	for _, c := range []struct {
		name    string
		current []trace.Sample
	}{
		{"above the rated current from the first sample", wave(1000, 0, 9, func(t float64) float64 { return between(t, -1, 1.5, 4) })},
		{"below it, but it falls before it ever rises", wave(1000, 0, 9, func(t float64) float64 { return between(t, -1, 1.5, 0.9) })},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := finish(t, trace.Settings{RatedCurrentA: 1}, c.current)
			f := bound(t, d, "time_to_cutoff_s", trace.AtLeast)
			if math.Abs(f.Value-1.5) > 0.002 {
				t.Errorf("at least %v, want 1.5", f.Value)
			}
			if _, ok := d.FirstMark(trace.Onset); ok {
				t.Error("an onset before the trace is marked")
			}
			bound(t, d, "let_through_a2s", trace.AtLeast)
			bound(t, d, "hold_s", trace.AtLeast)
		})
	}
}

func TestGaps(t *testing.T) {
	rated := trace.Settings{RatedCurrentA: 1}
	without := func(from, to float64) []trace.Sample {
		var out []trace.Sample
		for _, s := range wave(1000, 0, 12, func(t float64) float64 { return between(t, 2, 5, 4) }) {
			if t := s.At(); t < from || t >= to {
				out = append(out, s)
			}
		}
		return out
	}
	t.Run("over the cut-off: at most up to the first sample after it, let-through at least", func(t *testing.T) {
		d := finish(t, rated, without(4.5, 5.5))
		if f := bound(t, d, "time_to_cutoff_s", trace.AtMost); math.Abs(f.Value-3.5) > 0.003 {
			t.Errorf("at most %v, want 3.5", f.Value)
		}
		if f := bound(t, d, "let_through_a2s", trace.AtLeast); f.Value-f.U > 48 {
			t.Errorf("at least %v ± %v A²s, but only 48 flowed", f.Value, f.U)
		}
	})
	t.Run("inside the fault: nothing is invented", func(t *testing.T) {
		d := finish(t, rated, without(3, 4))
		bound(t, d, "time_to_cutoff_s", trace.AtMost)
		if f := bound(t, d, "let_through_a2s", trace.AtLeast); math.Abs(f.Value-32) > 0.1 {
			t.Errorf("let through at least %v, want the 32 A²s seen", f.Value)
		}
		if len(d.Warnings) == 0 || d.Warnings[0].Code != "gap" {
			t.Errorf("warnings %v, want a gap", d.Warnings)
		}
	})
	t.Run("in a fault that nothing ended: no cut-off is claimed beyond the gap", func(t *testing.T) {
		var s []trace.Sample
		for _, x := range wave(1000, 0, 12, func(t float64) float64 { return between(t, 2, 12, 4) }) {
			if at := x.At(); at < 6 || at >= 9 {
				s = append(s, x)
			}
		}
		d := finish(t, rated, s)
		if f := bound(t, d, "time_to_cutoff_s", trace.AtLeast); math.Abs(f.Value-4) > 0.003 {
			t.Errorf("at least %v s, want the 4 s before the gap", f.Value)
		}
	})
	t.Run("many: the longest is told, wherever it comes", func(t *testing.T) {
		var s []trace.Sample
		for _, x := range wave(1000, 0, 12, func(t float64) float64 { return between(t, 2, 5, 4) }) {
			at := x.At()
			if short := math.Mod(at, 0.5); at > 10.5 && at < 11.8 || at < 10 && short > 0.1 && short < 0.11 {
				continue
			}
			s = append(s, x)
		}
		var texts []string
		for _, w := range finish(t, rated, s).Warnings {
			texts = append(texts, w.Text)
		}
		if all := strings.Join(texts, "\n"); !strings.Contains(all, "between 10.5 s and 11.8 s") || !strings.Contains(all, "more gaps, shorter than these") {
			t.Errorf("warnings: %s", all)
		}
	})
	t.Run("after the cut-off: a retry may hide in it", func(t *testing.T) {
		bound(t, finish(t, rated, without(7, 8)), "retry_count", trace.AtLeast)
	})
}

func TestRowsThatAreNotLaterAreSetAside(t *testing.T) {
	s := wave(1000, 0, 6, func(t float64) float64 { return between(t, 2, 3, 4) })
	want := finish(t, trace.Settings{RatedCurrentA: 1}, s)
	var twice []trace.Sample
	for i, x := range s {
		twice = append(twice, x)
		if i%100 == 50 {
			twice = append(twice, x, trace.Sample{AtNS: x.AtNS - 5e6, Value: 9})
		}
	}
	got := finish(t, trace.Settings{RatedCurrentA: 1}, twice)
	if len(got.Warnings) != 1 || got.Warnings[0].Code != "not_later" {
		t.Errorf("warnings %v, want one not_later", got.Warnings)
	}
	for i, f := range want.Figures {
		if got.Figures[i] != f {
			t.Errorf("%s = %+v, want %+v", f.Key, got.Figures[i], f)
		}
	}
}

func TestOverRange(t *testing.T) {
	clip := func(t float64) float64 { return min(between(t, 2, 3, 9), 4) }
	s := wave(1000, 0, 6, clip)
	for i := range s {
		if s[i].Value == 4 {
			s[i].Flags |= trace.Over
		}
	}
	d := finish(t, trace.Settings{RatedCurrentA: 1, FullScaleA: 4}, s)
	for _, key := range []string{"peak_current_a", "sustained_current_a", "let_through_a2s", "hold_a2s", "charge_c"} {
		bound(t, d, key, trace.AtLeast)
	}
	near(t, d, "time_to_cutoff_s", 1, 0.001)
	t.Run("a word instead of a number", func(t *testing.T) {
		for i := range s {
			if s[i].Flags&trace.Over != 0 {
				s[i].Value = math.Inf(1)
			}
		}
		got := finish(t, trace.Settings{RatedCurrentA: 1, FullScaleA: 4}, s)
		if a, b := figure(t, got, "let_through_a2s"), figure(t, d, "let_through_a2s"); a != b {
			t.Errorf("let through %+v, want %+v as with the range's end", a, b)
		}
	})
}

// The seven simulated units at a board's rate, each with its own waveform: behaviour exactly, figures
// within three uncertainties of what the simulation did (one in twenty lies outside one; the full
// statistics are the Monte Carlo's).
func TestShelfAgainstTruth(t *testing.T) {
	for _, u := range sim.Shelf() {
		t.Run(u.Plate.Name, func(t *testing.T) {
			rec := record(t, u.Plate.Name, sim.ShortTest(3, 30, 10), sim.Meter{RateHz: 5000, NoiseA: 0.004, ResolutionA: 0.001, PhaseS: -1, Voltage: true}, 3)
			d, err := trip.New(rec.Settings)
			if err != nil {
				t.Fatal(err)
			}
			d.Current(rec.Current)
			d.Voltage(rec.Voltage)
			got := d.Finish()
			sane(t, got)
			if got.Behaviour != rec.Truth.Behaviour {
				t.Fatalf("behaviour %s, want %s", got.Behaviour, rec.Truth.Behaviour)
			}
			for _, f := range got.Figures {
				want, known := rec.Truth.Figures[f.Key]
				if !known || !f.Bound.HasValue() {
					continue
				}
				off, slack := f.Value-want, 3*f.U+0.002*math.Abs(want)+1e-3
				if f.Key == "restored_after_s" {
					slack += 0.03 // the simulation waits so long before it calls the output back
				}
				if f.Bound == trace.Exact && math.Abs(off) > slack || f.Bound == trace.AtMost && off < -slack || f.Bound == trace.AtLeast && off > slack {
					t.Errorf("%s = %s %v ± %v, truth %v", f.Key, f.Bound, f.Value, f.U, want)
				}
			}
		})
	}
}

// Any cutting of the input into batches gives identical marks and figures.
func TestCuttingChangesNothing(t *testing.T) {
	units := sim.Shelf()
	recs := map[string]sim.Recording{}
	rapid.Check(t, func(rt *rapid.T) {
		u := units[rapid.IntRange(0, len(units)-1).Draw(rt, "unit")]
		rec, ok := recs[u.Plate.Name]
		if !ok {
			rec = record(t, u.Plate.Name, sim.ShortTest(1, 6, 2), sim.Meter{RateHz: 500, NoiseA: 0.01, ResolutionA: 0.001, Voltage: true}, 5)
			recs[u.Plate.Name] = rec
		}
		whole, cut := derive(t, rec, func() int { return 400 }), derive(t, rec, func() int { return rapid.IntRange(1, 400).Draw(rt, "n") })
		if len(whole.Marks) != len(cut.Marks) {
			rt.Fatalf("%d marks, want %d", len(cut.Marks), len(whole.Marks))
		}
		for i := range whole.Marks {
			if whole.Marks[i] != cut.Marks[i] {
				rt.Fatalf("mark %+v, want %+v", cut.Marks[i], whole.Marks[i])
			}
		}
		for i := range whole.Figures {
			if whole.Figures[i] != cut.Figures[i] {
				rt.Fatalf("figure %+v, want %+v", cut.Figures[i], whole.Figures[i])
			}
		}
	})
}

// derive feeds current and voltage in portions of next() samples, looking at the marks in between as a
// live page does.
func derive(t *testing.T, rec sim.Recording, next func() int) trace.Derivation {
	t.Helper()
	d, err := trip.New(rec.Settings)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(rec.Current); {
		n := min(next(), len(rec.Current)-i)
		d.Current(rec.Current[i : i+n])
		d.Voltage(rec.Voltage[i : i+n])
		d.Changes(nil)
		d.Derive()
		i += n
	}
	return d.Finish()
}

// Marks as they come live: provisional at once, the same IDs confirmed later, withdrawn only if they
// did not last; what is left is what Finish says.
func TestChangesEndUpAtTheFinalMarks(t *testing.T) {
	for _, u := range sim.Shelf() {
		t.Run(u.Plate.Name, func(t *testing.T) {
			rec := record(t, u.Plate.Name, sim.ShortTest(1, 8, 2), sim.Meter{RateHz: 1000, NoiseA: 0.005, ResolutionA: 0.001}, 9)
			d, err := trip.New(rec.Settings)
			if err != nil {
				t.Fatal(err)
			}
			live := map[int]trace.Mark{}
			apply := func() {
				for _, m := range d.Changes(nil) {
					if m.Withdrawn {
						delete(live, m.ID)
					} else {
						live[m.ID] = m
					}
				}
			}
			for i := range rec.Current {
				d.Current(rec.Current[i : i+1])
				apply()
			}
			final := d.Finish()
			apply()
			if len(live) != len(final.Marks) {
				t.Errorf("%d live marks, want %d", len(live), len(final.Marks))
			}
			for _, m := range final.Marks {
				if live[m.ID] != m {
					t.Errorf("live %+v, want %+v", live[m.ID], m)
				}
				if m.Provisional {
					t.Errorf("%s is still provisional at the end", m.Kind)
				}
			}
		})
	}
}

func TestSettingsOutOfRangeAreRefused(t *testing.T) {
	for name, s := range map[string]trace.Settings{
		"rated_current_a: -1 is out of range, allowed is 0 to 1000":         {RatedCurrentA: -1},
		"hold_s: NaN is out of range, allowed is 0 to 86400":                {HoldS: math.NaN()},
		`procedure: "dance" is none of short, ramp, steps, overload, carry`: {Procedure: "dance"},
		`waveform: "square" is none of dc, full-wave, half-wave, pwm`:       {Waveform: "square"},
		"rig_resistance_ohm: +Inf is out of range, allowed is 0 to 1000":    {RigResistanceOhm: math.Inf(1)},
	} {
		if _, err := trip.New(s); err == nil || err.Error() != name {
			t.Errorf("error %v, want %q", err, name)
		}
	}
}
