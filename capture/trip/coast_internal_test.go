package trip

import (
	"fmt"
	"math"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

// Coasting gives exactly what reading sample by sample gives: every mark and every figure.
func TestCoastingEqualsReadingOneByOne(t *testing.T) {
	for _, u := range sim.Shelf() {
		for _, m := range []sim.Meter{
			{RateHz: 5000, NoiseA: 0.004, ResolutionA: 0.001},
			{RateHz: 1000, NoiseA: 0.1},
			{RateHz: 2000, NoiseA: 0.003, JitterS: 1e-5, FullScaleA: 5},
			{RateHz: 1000, NoiseA: 0.002, Reversed: true, Gaps: []sim.Span{{FromS: 4, ToS: 4.3}}},
			{RateHz: 10, AveragingS: 0.1, ResolutionA: 0.01},
		} {
			r := u.Plate.RatedCurrentA
			for _, sc := range []sim.Scenario{sim.ShortTest(2, 8, 3), sim.RampTest(2, 0, 3*r, 0.3*r), sim.StepsTest(2, 1, r, 1.5*r, 2*r, 3*r), sim.CarryTest(u, 2, 5, true)} {
				t.Run(fmt.Sprintf("%s %s %v/s", u.Plate.Name, sc.Procedure, m.RateHz), func(t *testing.T) {
					rec, err := sim.Record(u, sc, m, 11)
					if err != nil {
						t.Fatal(err)
					}
					got, want := run(t, rec, false), run(t, rec, true)
					compare(t, got, want)
				})
			}
		}
	}
}

// ... also where pulses turn out to be one rippled fault.
func TestCoastingThroughATrain(t *testing.T) {
	var rec sim.Recording
	rec.Settings.RatedCurrentA = 1
	for k := range 12000 {
		s := trace.Sample{AtNS: int64(k) * 1e6, Value: 0.001 * float64(k%7)}
		if t := float64(k)*1e-3 - 2; t > 0 && t < 6 && math.Mod(t, 0.1) < 0.05 {
			s.Value += 5
		}
		rec.Current = append(rec.Current, s)
	}
	compare(t, run(t, rec, false), run(t, rec, true))
}

func run(t *testing.T, rec sim.Recording, plain bool) trace.Derivation {
	t.Helper()
	d, err := New(rec.Settings)
	if err != nil {
		t.Fatal(err)
	}
	d.plain = plain
	for s := rec.Current; len(s) > 0; {
		n := min(len(s), 300)
		d.Current(s[:n])
		s = s[n:]
	}
	return d.Finish()
}

func compare(t *testing.T, got, want trace.Derivation) {
	t.Helper()
	if got.Behaviour != want.Behaviour || len(got.Marks) != len(want.Marks) || len(got.Figures) != len(want.Figures) {
		t.Fatalf("%s with %d marks and %d figures, want %s with %d and %d", got.Behaviour, len(got.Marks), len(got.Figures), want.Behaviour, len(want.Marks), len(want.Figures))
	}
	for i := range got.Marks {
		if got.Marks[i] != want.Marks[i] {
			t.Errorf("mark %+v, want %+v", got.Marks[i], want.Marks[i])
		}
	}
	for i := range got.Figures {
		if got.Figures[i] != want.Figures[i] {
			t.Errorf("%+v, want %+v", got.Figures[i], want.Figures[i])
		}
	}
}

// The off level is worked out anew at the same readings, batch by batch and one by one.
func TestNoOffLevelIsMissed(t *testing.T) {
	for n := range 10000 {
		k := untilOffLevelDue(n)
		for j := range k {
			if offLevelDue(n + 1 + j) {
				t.Fatalf("after %d readings the off level is due after %d more, not %d", n, j, k)
			}
		}
		if k < 0 || !offLevelDue(n+1+k) {
			t.Fatalf("after %d readings: %d are too many or too few", n, k)
		}
	}
}
