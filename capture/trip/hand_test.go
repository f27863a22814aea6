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

func at(t float64) *float64 { return &t }

func moved(k trace.MarkKind, from, to, u float64) trace.MarkEdit {
	return trace.MarkEdit{Kind: k, WasTS: &from, TS: &to, US: &u, Reason: "seen in the video"}
}
func added(k trace.MarkKind, t, u float64) trace.MarkEdit {
	return trace.MarkEdit{Kind: k, TS: &t, US: &u, Reason: "seen in the video"}
}
func struck(k trace.MarkKind, t float64) trace.MarkEdit {
	return trace.MarkEdit{Kind: k, WasTS: &t, Reason: "the clip slipped"}
}

// shape is a sum of pulses of a level from..to.
func shape(pulses ...[3]float64) []trace.Sample {
	return wave(1000, 0, 20, func(t float64) float64 {
		var i float64
		for _, p := range pulses {
			i += between(t, p[0], p[1], p[2])
		}
		return i
	})
}

// What a person says of the detector's marks changes the figures that stand on them, as closed forms
// have it, and they say so.
func TestMarksByHandChangeTheFigures(t *testing.T) {
	one := shape([3]float64{2, 3, 4})
	twice := shape([3]float64{2, 3, 4}, [3]float64{5, 6, 4})
	train := shape([3]float64{2, 3, 4}, [3]float64{5, 5.2, 4}, [3]float64{8, 8.2, 4}, [3]float64{11, 11.2, 4})
	folded := wave(1000, 0, 20, func(t float64) float64 { return between(t, 2, 3, 4) + between(t, 3, 20, 1.6) })
	sagging := wave(1000, 0, 20, func(t float64) float64 { return between(t, 2, 20, 4) * math.Exp(-max(t-3, 0)*0.1) })
	for _, c := range []struct {
		name      string
		current   []trace.Sample
		edits     []trace.MarkEdit
		marks     []trace.Mark
		behaviour trace.Behaviour
		figures   map[string]float64 // with a value, within 1 % and a millisecond's worth
		bound     trace.Bound        // of time_to_cutoff_s
	}{
		{"nothing said", one, nil, nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 1, "let_through_a2s": 16}, trace.Exact},
		{"cut-off moved earlier", one, []trace.MarkEdit{moved(trace.CutOff, 3, 2.8, 0.01)}, nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 0.8, "let_through_a2s": 12.8, "sustained_current_a": 4, "hold_a2s": 16}, trace.Exact},
		{"cut-off moved later", one, []trace.MarkEdit{moved(trace.CutOff, 3, 4.5, 0.01)}, nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 2.5, "let_through_a2s": 16, "sustained_current_a": 4, "end_current_a": 4}, trace.Exact},
		{"cut-off moved twice", one, []trace.MarkEdit{moved(trace.CutOff, 3, 2.5, 0.01), moved(trace.CutOff, 2.5, 2.75, 0.01)}, nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 0.75, "let_through_a2s": 12}, trace.Exact},
		{"onset moved later", one, []trace.MarkEdit{moved(trace.Onset, 2, 2.25, 0.01)}, nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 0.75, "let_through_a2s": 12, "peak_current_a": 4}, trace.Exact},
		{"onset moved earlier", one, []trace.MarkEdit{moved(trace.Onset, 2, 1.5, 0.01)}, nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 1.5, "let_through_a2s": 16, "sustained_current_a": 4}, trace.Exact},
		{"onset struck, another follows", twice, []trace.MarkEdit{struck(trace.Onset, 2)}, nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 1, "hold_a2s": 16, "hold_s": 15}, trace.Exact},
		{"the only onset struck", one, []trace.MarkEdit{struck(trace.Onset, 2)}, nil, trace.None, nil, trace.NotApplicable},
		{"onset struck, the short was applied", one, []trace.MarkEdit{struck(trace.Onset, 2)}, []trace.Mark{{Kind: trace.Applied, T: 2, By: trace.Hand}}, trace.BehaviourUnsure, nil, trace.NotResolved},
		{"cut-off struck, the current comes back", twice, []trace.MarkEdit{struck(trace.CutOff, 3)}, nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 4, "let_through_a2s": 32, "sustained_current_a": 4}, trace.Exact},
		{"the only cut-off struck", one, []trace.MarkEdit{struck(trace.CutOff, 3)}, nil, trace.Sustained, map[string]float64{"time_to_cutoff_s": 1, "let_through_a2s": 16}, trace.AtLeast},
		{"every fall struck", twice, []trace.MarkEdit{struck(trace.CutOff, 3), struck(trace.CutOff, 6)}, nil, trace.Sustained, map[string]float64{"time_to_cutoff_s": 4, "let_through_a2s": 32}, trace.AtLeast},
		{"cut-off added", sagging, []trace.MarkEdit{added(trace.CutOff, 4, 0.01)}, nil, trace.Latching, map[string]float64{"time_to_cutoff_s": 2, "let_through_a2s": 16 + 80*(1-math.Exp(-0.2))}, trace.Exact},
		{"retry struck", train, []trace.MarkEdit{struck(trace.RetryOn, 5)}, nil, trace.AutoRetry, map[string]float64{"retry_count": 2, "retry_period_s": 3}, trace.Exact},
		{"retries joined", train, []trace.MarkEdit{struck(trace.RetryOff, 5.2)}, nil, trace.AutoRetry, map[string]float64{"retry_count": 2}, trace.Exact},
		{"retry moved", train, []trace.MarkEdit{moved(trace.RetryOn, 5, 4.9, 0.01), moved(trace.RetryOff, 5.2, 5.3, 0.01)}, nil, trace.AutoRetry, map[string]float64{"retry_count": 3, "retry_width_s": 0.2}, trace.Exact},
		{"retry added", train, []trace.MarkEdit{added(trace.RetryOn, 14, 0.01), added(trace.RetryOff, 14.2, 0.01)}, nil, trace.AutoRetry, map[string]float64{"retry_count": 4, "retry_period_s": 3}, trace.Exact},
		{"limitation struck", folded, []trace.MarkEdit{struck(trace.Limited, 3)}, nil, trace.Sustained, map[string]float64{"time_to_cutoff_s": 18, "let_through_a2s": 16 + 17*2.56}, trace.AtLeast},
		{"limitation moved", folded, []trace.MarkEdit{moved(trace.Limited, 3, 2.9, 0.01)}, nil, trace.FoldBack, map[string]float64{"time_to_limit_s": 0.9, "let_through_a2s": 14.4, "residual_current_a": 1.6}, trace.NotApplicable},
		{"limitation added", sagging, []trace.MarkEdit{added(trace.Limited, 4, 0.01)}, nil, trace.FoldBack, map[string]float64{"time_to_limit_s": 2}, trace.NotApplicable},
		{"cut-off by hand at the removal stays one", one, []trace.MarkEdit{moved(trace.CutOff, 3, 2.9, 0.01)}, []trace.Mark{{Kind: trace.Removed, T: 3, By: trace.Hand}}, trace.Latching, map[string]float64{"time_to_cutoff_s": 0.9}, trace.Exact},
		{"an output seen to come back", one, []trace.MarkEdit{added(trace.Restored, 12, 0.01)}, []trace.Mark{{Kind: trace.Removed, T: 10, By: trace.Contact}}, trace.Latching, map[string]float64{"restored_after_s": 2}, trace.Exact},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := trace.Settings{RatedCurrentA: 1, MarkEdits: c.edits}
			if c.name == "nothing said" {
				s.MarkEdits = nil
			}
			d := finish(t, s, c.current, c.marks...)
			if d.Behaviour != c.behaviour {
				t.Errorf("behaviour %s, want %s", d.Behaviour, c.behaviour)
			}
			if f, _ := d.Figures.Get("time_to_cutoff_s"); f.Bound != c.bound {
				t.Errorf("time to cut-off %+v, want %s", f, c.bound)
			}
			for key, want := range c.figures {
				if f, _ := d.Figures.Get(key); !f.Bound.HasValue() || math.Abs(f.Value-want) > 0.01*want+0.002 {
					t.Errorf("%s %+v, want %v", key, f, want)
				}
			}
			byHand := 0
			for _, f := range d.Figures {
				if f.ByHand {
					byHand++
					if !strings.Contains(f.Why, "by hand") {
						t.Errorf("%s is by hand and says %q", f.Key, f.Why)
					}
				}
			}
			if d.Behaviour != trace.None && d.Behaviour != trace.BehaviourUnsure && (byHand > 0) != (len(c.edits) > 0) {
				t.Errorf("%d figures say that a person did it", byHand)
			}
			said := 0
			for _, w := range d.Warnings {
				if w.Code == "by_hand" {
					said++
				}
				if w.Code == "by_hand_without_effect" {
					t.Errorf("without effect: %s", w.Text)
				}
			}
			if net := len(trace.NetEdits(c.edits)); said != net {
				t.Errorf("%d warnings of marks by hand, want %d: %+v", said, net, d.Warnings)
			}
		})
	}
}

// The instant that a person gives has the uncertainty that the person gives, 0.3 s where none is.
func TestMarksByHandCarryTheirUncertainty(t *testing.T) {
	one := shape([3]float64{2, 3, 4})
	for u, want := range map[*float64]float64{nil: trace.HandU, at(0.02): 0.02} {
		e := trace.MarkEdit{Kind: trace.CutOff, WasTS: at(3), TS: at(2.9), US: u, Reason: "video"}
		d := finish(t, trace.Settings{RatedCurrentA: 1, MarkEdits: []trace.MarkEdit{e}}, one)
		m, ok := d.FirstMark(trace.CutOff)
		if !ok || m.By != trace.Hand || m.T != 2.9 || math.Abs(m.U-want) > 1e-9 || m.Text != "video" {
			t.Errorf("mark %+v", m)
		}
		if f := bound(t, d, "time_to_cutoff_s", trace.Exact); f.U < want || f.U > 1.2*want {
			t.Errorf("time %+v, want an uncertainty of %g", f, want)
		}
	}
}

// An edit of what other settings no longer find is said aloud and changes nothing.
func TestAnEditWithoutItsMarkIsSaid(t *testing.T) {
	d := finish(t, trace.Settings{RatedCurrentA: 1, MarkEdits: []trace.MarkEdit{moved(trace.CutOff, 7, 8, 0.1), struck(trace.Limited, 2.5)}}, shape([3]float64{2, 3, 4}))
	f := bound(t, d, "time_to_cutoff_s", trace.Exact)
	if math.Abs(f.Value-1) > 0.002 || f.ByHand {
		t.Errorf("%+v", f)
	}
	said := 0
	for _, w := range d.Warnings {
		if w.Code == "by_hand_without_effect" {
			said++
		}
	}
	if said != 2 {
		t.Errorf("warnings %+v", d.Warnings)
	}
}

// Any cutting of the input gives the same, and nothing a person says makes it fall over: times of marks
// are drawn from the trace's own and from anywhere.
func TestCuttingChangesNothingWithMarksByHand(t *testing.T) {
	units := sim.Shelf()
	kinds := []trace.MarkKind{trace.Onset, trace.Limited, trace.CutOff, trace.RetryOn, trace.RetryOff, trace.Restored}
	recs := map[string]sim.Recording{}
	rapid.Check(t, func(rt *rapid.T) {
		u := units[rapid.IntRange(0, len(units)-1).Draw(rt, "unit")]
		rec, ok := recs[u.Plate.Name]
		if !ok {
			rec = record(t, u.Plate.Name, sim.ShortTest(1, 4, 1), sim.Meter{RateHz: 500, NoiseA: 0.01, ResolutionA: 0.001, Voltage: true}, 5)
			recs[u.Plate.Name] = rec
		}
		plain := derive(t, rec, func() int { return 400 })
		var times []float64
		for _, m := range plain.Marks {
			times = append(times, m.T)
		}
		rec.Settings.MarkEdits = rapid.SliceOfN(rapid.Custom(func(rt *rapid.T) trace.MarkEdit {
			t := rapid.OneOf(rapid.SampledFrom(append(times, 1)), rapid.Float64Range(-1, 7))
			e := trace.MarkEdit{Kind: rapid.SampledFrom(kinds).Draw(rt, "kind"), Reason: "x", US: at(0.01)}
			if rapid.Bool().Draw(rt, "was") {
				e.WasTS = at(t.Draw(rt, "was_t_s"))
			}
			if e.WasTS == nil || rapid.Bool().Draw(rt, "moved") {
				e.TS = at(t.Draw(rt, "t_s"))
			}
			return e
		}), 1, 4).Draw(rt, "edits")
		whole, cut := derive(t, rec, func() int { return 400 }), derive(t, rec, func() int { return rapid.IntRange(1, 400).Draw(rt, "n") })
		if len(whole.Marks) != len(cut.Marks) || whole.Behaviour != cut.Behaviour || len(whole.Figures) != len(cut.Figures) {
			rt.Fatalf("%d marks and %s, want %d and %s", len(cut.Marks), cut.Behaviour, len(whole.Marks), whole.Behaviour)
		}
		for i := range whole.Marks {
			if whole.Marks[i] != cut.Marks[i] {
				rt.Fatalf("mark %+v, want %+v", cut.Marks[i], whole.Marks[i])
			}
		}
		for i, f := range whole.Figures {
			if f != cut.Figures[i] {
				rt.Fatalf("figure %+v, want %+v", cut.Figures[i], f)
			}
			if f.Bound.HasValue() && (math.IsNaN(f.Value) || math.IsInf(f.Value, 0) || f.U < 0) {
				rt.Fatalf("figure %+v is no number", f)
			}
		}
	})
}

func TestEditsThatNobodyMeansAreRefused(t *testing.T) {
	for name, e := range map[string]trace.MarkEdit{
		"no time":             {Kind: trace.CutOff},
		"no number":           {Kind: trace.CutOff, TS: at(math.NaN())},
		"far away":            {Kind: trace.CutOff, WasTS: at(2e9)},
		"negative":            {Kind: trace.CutOff, TS: at(1), US: at(-1)},
		"endless uncertainty": {Kind: trace.CutOff, TS: at(1), US: at(math.Inf(1))},
	} {
		if _, err := trip.New(trace.Settings{MarkEdits: []trace.MarkEdit{e}}); err == nil {
			t.Errorf("%s: not refused", name)
		}
	}
	if _, err := trip.New(trace.Settings{MarkEdits: make([]trace.MarkEdit, trace.MaxMarkEdits+1)}); err == nil {
		t.Error("too many: not refused")
	}
}
