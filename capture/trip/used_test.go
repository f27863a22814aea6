package trip_test

import (
	"math"
	"slices"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

// within gives the samples whose stamps lie in a stretch.
func within(samples []trace.Sample, u trace.Use) (out []trace.Sample) {
	for _, s := range samples {
		if t := s.At(); t >= u.From-1e-9 && t <= u.To+1e-9 {
			out = append(out, s)
		}
	}
	return out
}

func plainMedian(samples []trace.Sample) float64 {
	var v []float64
	for _, s := range samples {
		v = append(v, s.Value)
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// plainSquares is the integral of i² with i linear between the samples (closed form of a line).
func plainSquares(samples []trace.Sample) (sum float64) {
	for k := 1; k < len(samples); k++ {
		a, b, dt := samples[k-1].Value, samples[k].Value, samples[k].At()-samples[k-1].At()
		sum += dt * (a*a + a*b + b*b) / 3
	}
	return sum
}

func usesOf(t *testing.T, rec sim.Recording) (trace.Derivation, trace.Uses) {
	t.Helper()
	d, err := trip.New(rec.Settings)
	if err != nil {
		t.Fatal(err)
	}
	for k := 0; k < len(rec.Current); k += 500 {
		n := min(k+500, len(rec.Current))
		d.Current(rec.Current[k:n])
		d.Voltage(rec.Voltage[k:n])
	}
	out := d.Finish()
	return out, d.Used()
}

// What is told as used gives the figures again by the plainest formula.
func TestTheReadingsToldAsUsedGiveTheFiguresAgain(t *testing.T) {
	for _, c := range []struct {
		unit string
		sc   sim.Scenario
		keys []string
	}{
		{"Tin", sim.ShortTest(2, 20, 3), []string{"time_to_cutoff_s", "peak_current_a", "sustained_current_a", "end_current_a", "residual_current_a", "let_through_a2s", "hold_a2s", "hold_s", "retry_count", "retry_period_s", "retry_width_s", "retry_peak_a"}},
		{"Slate", sim.ShortTest(2, 6, 3), []string{"time_to_cutoff_s", "sustained_current_a", "let_through_a2s"}},
		{"Moss", sim.ShortTest(2, 6, 3), []string{"hold_a2s", "peak_current_a"}},
		{"Fern", sim.ShortTest(2, 6, 3), []string{"peak_current_a", "sustained_current_a", "time_to_limit_s"}},
		{"Amber", sim.ShortTest(2, 6, 3), []string{"time_to_limit_s", "let_through_a2s", "residual_current_a"}},
		{"Clay", sim.ShortTest(2, 6, 3), []string{"retry_count", "retry_period_s", "let_through_a2s"}},
		{"Flint", sim.ShortTest(2, 30, 3), []string{"time_to_cutoff_s", "hold_a2s"}},
	} {
		t.Run(c.unit, func(t *testing.T) {
			rec := record(t, c.unit, c.sc, sim.Meter{RateHz: 5000, NoiseA: 0.005, Voltage: true}, 7)
			d, uses := usesOf(t, rec)
			from, to := rec.Current[0].At(), rec.Current[len(rec.Current)-1].At()
			for key, list := range uses {
				for _, u := range list {
					if !(u.From >= from-1e-6 && u.From <= u.To && u.To <= to+1e-6) {
						t.Errorf("%s rests on readings from %v to %v s, the trace lasts from %v to %v s", key, u.From, u.To, from, to)
					}
				}
			}
			for _, key := range c.keys {
				f := figure(t, d, key)
				list := uses[key]
				if !f.Bound.HasValue() || len(list) == 0 {
					t.Errorf("%s: %v, and rests on %v", key, f, list)
					continue
				}
				mustAgree(t, rec, d, f, list)
			}
			for _, f := range d.Figures {
				if _, ok := uses[f.Key]; ok && !f.Bound.HasValue() {
					t.Errorf("%s has no number and rests on readings", f.Key)
				}
			}
		})
	}
}

func mustAgree(t *testing.T, rec sim.Recording, d trace.Derivation, f trace.Figure, list []trace.Use) {
	t.Helper()
	smooth := true
	if r, ok := d.Figures.Get("ripple_hz"); ok && r.Bound != trace.NotApplicable {
		smooth = false
	}
	switch list[0].As {
	case trace.UseLevel:
		if !smooth {
			return // a mean over whole periods
		}
		var all []trace.Sample
		for _, u := range list {
			all = append(all, within(rec.Current, u)...)
		}
		if got := plainMedian(all); f.Bound == trace.Exact && math.Abs(got-f.Value) > f.U+0.002*f.Value {
			t.Errorf("%s is %v ± %v, the readings told as used have the median %v", f.Key, f.Value, f.U, got)
		}
	case trace.UseSum:
		if f.Key != "let_through_a2s" && f.Key != "hold_a2s" {
			return
		}
		if got := plainSquares(within(rec.Current, list[0])); math.Abs(got-f.Value) > f.U+0.01*f.Value {
			t.Errorf("%s is %v ± %v, the readings told as used give %v", f.Key, f.Value, f.U, got)
		}
	case trace.UseMost, trace.UsePeak:
		i := slices.IndexFunc(list, func(u trace.Use) bool { return u.As == trace.UsePeak })
		top := within(rec.Current, list[i])
		if len(top) != 1 {
			t.Fatalf("%s: the largest is %d readings", f.Key, len(top))
		}
		for _, u := range list {
			for _, s := range within(rec.Current, u) {
				if s.Value > top[0].Value {
					t.Errorf("%s: %v A at %v s is told as the largest, at %v s it was %v A", f.Key, top[0].Value, top[0].At(), s.At(), s.Value)
				}
			}
		}
	case trace.UseEdge:
		if onset, _ := d.FirstMark(trace.Onset); list[0].From > onset.T || list[0].To < onset.T {
			if f.Key != "retry_period_s" && f.Key != "retry_width_s" {
				t.Errorf("%s: the onset at %v s is not between %v and %v s", f.Key, onset.T, list[0].From, list[0].To)
			}
		}
		for _, u := range list {
			if n := len(within(rec.Current, u)); u.To > u.From && n < 1 || n > 400 { // a hold ends at no reading
				t.Errorf("%s: an edge between %v and %v s holds %d readings", f.Key, u.From, u.To, n)
			}
		}
	}
}

func TestAFigureOfALoadTestRestsOnWhatItSays(t *testing.T) {
	ramp := finishUsed(t, trace.Settings{Procedure: trace.Ramp, RatedCurrentA: 1}, wave(100, 0, 20, func(t float64) float64 { return between(t, 2, 15, 0.12*(t-2)) }))
	level, slope := ramp["trip_current_a"][0], ramp["ramp_rate_a_per_s"][0]
	if math.Abs(level.From-14.79) > 0.02 || math.Abs(level.To-14.99) > 0.011 || level.As != trace.UseLevel {
		t.Errorf("trip current rests on %+v, want the last 0.2 s before 15 s", level)
	}
	if math.Abs(slope.From-13.99) > 0.02 || slope.To != level.To || slope.As != trace.UseSlope {
		t.Errorf("ramp rate rests on %+v, want the last second before 15 s", slope)
	}
	stairs := finishUsed(t, trace.Settings{Procedure: trace.Steps, RatedCurrentA: 1, DwellS: 4}, wave(100, 0, 20, func(t float64) float64 { return between(t, 2, 15.5, 0.5*(1+math.Floor((t-2)/4))) }))
	carried, tripped := stairs["carried_current_a"], stairs["tripped_current_a"]
	if len(carried) != 1 || math.Abs(carried[0].From-10) > 0.1 || math.Abs(carried[0].To-14) > 0.1 {
		t.Errorf("carried current rests on %+v, want the stair from 10 to 14 s", carried)
	}
	if len(tripped) != 1 || math.Abs(tripped[0].From-14) > 0.1 || math.Abs(tripped[0].To-15.5) > 0.1 {
		t.Errorf("tripped current rests on %+v, want the stair from 14 to 15.5 s", tripped)
	}
}

func finishUsed(t *testing.T, s trace.Settings, current []trace.Sample) trace.Uses {
	t.Helper()
	d, err := trip.New(s)
	if err != nil {
		t.Fatal(err)
	}
	d.Current(current)
	d.Finish()
	return d.Used()
}
