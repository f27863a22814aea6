package trip_test

import (
	"encoding/json"
	"math"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

// wave makes samples at rate readings a second from a current as a function of time in seconds.
func wave(rate, from, to float64, i func(t float64) float64) []trace.Sample {
	var out []trace.Sample
	for k := 0; ; k++ {
		t := from + float64(k)/rate
		if t >= to {
			return out
		}
		out = append(out, trace.Sample{AtNS: trace.NS(t), Value: i(t)})
	}
}

// between gives level between from and to, else 0.
func between(t, from, to, level float64) float64 {
	if t >= from && t < to {
		return level
	}
	return 0
}

func finish(t *testing.T, s trace.Settings, current []trace.Sample, marks ...trace.Mark) trace.Derivation {
	t.Helper()
	d, err := trip.New(s)
	if err != nil {
		t.Fatalf("New: %v", err)
	}
	d.Current(current)
	for _, m := range marks {
		d.Mark(m)
	}
	out := d.Finish()
	sane(t, out)
	return out
}

// sane holds for every derivation: JSON can be made (no NaN, no infinity), marks are in order of
// time, bounds and values agree.
func sane(t interface {
	Helper()
	Errorf(string, ...any)
}, d trace.Derivation) {
	t.Helper()
	if _, err := json.Marshal(d); err != nil {
		t.Errorf("JSON: %v", err)
	}
	for i := 1; i < len(d.Marks); i++ {
		if d.Marks[i].T < d.Marks[i-1].T {
			t.Errorf("mark %s at %v comes after %s at %v", d.Marks[i].Kind, d.Marks[i].T, d.Marks[i-1].Kind, d.Marks[i-1].T)
		}
	}
	for _, m := range d.Marks {
		if math.IsNaN(m.T+m.U+m.Level) || math.IsInf(m.T+m.U+m.Level, 0) || m.U < 0 {
			t.Errorf("mark %+v is no number", m)
		}
	}
	for _, f := range d.Figures {
		switch {
		case !f.Bound.HasValue() && (f.Value != 0 || f.U != 0):
			t.Errorf("%s is %s but has the value %v ± %v", f.Key, f.Bound, f.Value, f.U)
		case f.U < 0 || math.IsNaN(f.U):
			t.Errorf("%s: uncertainty %v", f.Key, f.U)
		}
		if _, ok := trace.DefinitionOf(f.Key); !ok {
			t.Errorf("%s has no definition", f.Key)
		}
	}
}

func figure(t *testing.T, d trace.Derivation, key string) trace.Figure {
	t.Helper()
	f, ok := d.Figures.Get(key)
	if !ok {
		t.Fatalf("no figure %s", key)
	}
	return f
}

// near checks an exact figure against a value within tol.
func near(t *testing.T, d trace.Derivation, key string, want, tol float64) {
	t.Helper()
	f := figure(t, d, key)
	if f.Bound != trace.Exact || math.Abs(f.Value-want) > tol {
		t.Errorf("%s = %v %v ± %v (%s), want %v within %v", key, f.Bound, f.Value, f.U, f.Why, want, tol)
	}
}

func bound(t *testing.T, d trace.Derivation, key string, want trace.Bound) trace.Figure {
	t.Helper()
	f := figure(t, d, key)
	if f.Bound != want {
		t.Errorf("%s is %v %v (%s), want %v", key, f.Bound, f.Value, f.Why, want)
	}
	return f
}

func record(t testing.TB, unit string, sc sim.Scenario, m sim.Meter, seed uint64) sim.Recording {
	t.Helper()
	u, err := sim.Find(unit)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := sim.Record(u, sc, m, seed)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}
