package trip_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"letthrough/capture/calibrate"
	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

// accuracyOf reads an accuracy that a test wrote.
func accuracyOf(t *testing.T, s string) trace.Accuracy {
	t.Helper()
	a, err := trace.ParseAccuracy(s)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// An instrument that shows 4 % too much and 30 mA more, calibrated with five noisy pairs: figures of its raw
// samples hold the truth within their uncertainty, and those without the calibration do not.
func TestACalibrationBringsTheFiguresToTheTruth(t *testing.T) {
	const gainError, offset, noise = 0.04, 0.03, 0.002
	covered, trials := 0, 40
	for seed := range trials {
		rnd := rand.New(rand.NewPCG(uint64(seed), 3))
		rec := record(t, "Slate", sim.ShortTest(1, 2, 1), sim.Meter{RateHz: 2000, NoiseA: noise, GainError: gainError, OffsetA: offset}, uint64(seed))
		var pairs []calibrate.Pair
		for i := range 5 {
			level := 1.5 * float64(i)
			pairs = append(pairs, calibrate.Pair{Trusted: level, Shown: level*(1+gainError) + offset + noise*rnd.NormFloat64()})
		}
		r, err := calibrate.Fit(pairs, calibrate.Options{})
		if err != nil {
			t.Fatal(err)
		}
		truth := rec.Truth.Figures["sustained_current_a"]
		plain := figure(t, finish(t, rec.Settings, rec.Current), "sustained_current_a")
		if math.Abs(plain.Value-truth) < plain.U {
			t.Fatalf("uncalibrated: %v ± %v holds the truth of %v", plain.Value, plain.U, truth)
		}
		s := rec.Settings
		s.Calibration = r.Calibration
		f := figure(t, finish(t, s, rec.Current), "sustained_current_a")
		if math.Abs(f.Value-truth) <= f.U {
			covered++
		}
		if f.U <= plain.U {
			t.Errorf("the uncertainty %v is not above the %v of noise alone: the calibration's own is missing", f.U, plain.U)
		}
	}
	if covered < trials*9/10 {
		t.Errorf("%d of %d calibrated figures hold the truth", covered, trials)
	}
}

// Derived from raw samples with a calibration, or from corrected samples without: the same marks and levels.
func TestCorrectingBeforeOrInsideIsTheSame(t *testing.T) {
	c := trace.Calibration{Offset: -0.05, Gain: 0.9}
	rec := record(t, "Tin", sim.ShortTest(1, 6, 2), sim.Meter{RateHz: 1000, NoiseA: 0.005}, 2)
	inside := rec.Settings
	inside.Calibration = c
	got, want := finish(t, inside, rec.Current), finish(t, rec.Settings, c.CorrectAll(nil, rec.Current))
	if len(got.Marks) != len(want.Marks) || got.Behaviour != want.Behaviour {
		t.Fatalf("%d marks, %s, want %d, %s", len(got.Marks), got.Behaviour, len(want.Marks), want.Behaviour)
	}
	for i, f := range got.Figures {
		if w := want.Figures[i]; f.Key != w.Key || f.Value != w.Value || f.Bound != w.Bound {
			t.Errorf("%+v, want %+v", f, w)
		}
	}
}

func TestAVoltageIsCorrectedToo(t *testing.T) {
	s := trace.Settings{RatedCurrentA: 1.5, VoltageCalibration: trace.Calibration{Gain: 2}}
	energy := func(s trace.Settings) float64 {
		d, err := trip.New(s)
		if err != nil {
			t.Fatal(err)
		}
		d.Current(wave(1000, 0, 3, func(t float64) float64 { return between(t, 1, 2, 4) }))
		d.Voltage(wave(1000, 0, 3, func(float64) float64 { return 6 }))
		return figure(t, d.Finish(), "energy_j").Value
	}
	doubled, plain := energy(s), energy(trace.Settings{RatedCurrentA: 1.5})
	if math.Abs(doubled-2*plain) > 0.01*plain || plain < 20 {
		t.Errorf("energy %v with the voltage doubled, %v without", doubled, plain)
	}
}

// A level of 1 A in the 2 A range: ±(0.8 % + 3 × 1 mA) = 11 mA, and 1 mA of resolution. 4 A lie in the 10 A
// range: ±(1.2 % + 5 × 10 mA) = 98 mA, and 10 mA. Rectangular, k = 1.65 where the first dominates.
func TestEveryLevelHasTheAccuracyOfItsRange(t *testing.T) {
	s := trace.Settings{RatedCurrentA: 1.5, Accuracy: accuracyOf(t, "2A:0.8%+3@0.001;10A:1.2%+5@0.01")}
	for level, half := range map[float64]float64{1: 0.008 + 0.003, 4: 0.048 + 0.05} {
		f := figure(t, finish(t, s, wave(1000, 0, 3, func(t float64) float64 { return between(t, 1, 2, level) })), "sustained_current_a")
		if u := 1.65 * half / math.Sqrt(3); f.U < u || f.U > 1.2*u {
			t.Errorf("at %g A: U = %v, want %v and a little for the resolution", level, f.U, u)
		}
	}
}

// What a calibration leaves of the instrument's own accuracy: nothing within three pairs or more, the counts
// within two, and the percentage only for what lies beyond the pairs.
func TestACalibrationStandsInPlaceOfTheAccuracy(t *testing.T) {
	uOf := func(c trace.Calibration) float64 {
		s := trace.Settings{RatedCurrentA: 1.5, ResolutionA: 0.001, Accuracy: trace.Accuracy{Percent: 3, Counts: 50}, Calibration: c}
		d := finish(t, s, wave(1000, 0, 3, func(t float64) float64 { return between(t, 1, 2, 4) }))
		beyond := false
		for _, w := range d.Warnings {
			beyond = beyond || w.Code == "beyond_calibration"
		}
		if beyond != (c.Known() && c.To < 3) {
			t.Errorf("calibrated to %g A: a warning that 4 A lie beyond: %v", c.To, beyond)
		}
		return figure(t, d, "sustained_current_a").U
	}
	const u = 0.008
	for name, c := range map[string]struct {
		calibration trace.Calibration
		want        float64
	}{
		"None":   {trace.Calibration{}, 1.65 * (0.12 + 0.05) / math.Sqrt(3)},
		"Three":  {trace.Calibration{Gain: 1, UOffset: u, Pairs: 3, From: 0, To: 5}, u},
		"Two":    {trace.Calibration{Gain: 1, UOffset: u, Pairs: 2, From: 0, To: 5}, 1.65 * math.Hypot(0.05/math.Sqrt(3), u/2)},
		"Beyond": {trace.Calibration{Gain: 1, UOffset: u, Pairs: 3, From: 0, To: 2}, 1.65 * math.Hypot(0.06/math.Sqrt(3), u/2)},
	} {
		if got := uOf(c.calibration); got < 0.97*c.want || got > 1.2*c.want {
			t.Errorf("%s: U = %v, want about %v", name, got, c.want)
		}
	}
}
