package sim

import (
	"math"
	"testing"

	"letthrough/capture/trace"
)

// plain is a unit without protection or warming: an ideal source behind a resistance.
func plain(openV, loopOhm, henry float64) Unit {
	return Unit{Plate: trace.Unit{Name: "Plain", RatedCurrentA: 1, Waveform: trace.DC},
		OpenV: openV, SourceOhm: loopOhm - defaultRig, InductanceH: henry}
}

// integrals is an observer that remembers what a test asks.
type integrals struct{ a2s, coulomb, lastA, peakA float64 }

func (x *integrals) segment(t0, t1 int64, i0, i1, _, _ float64) {
	dt := float64(t1-t0) * 1e-9
	x.a2s += dt * (i0*i0 + i0*i1 + i1*i1) / 3
	x.coulomb += dt * (i0 + i1) / 2
	x.lastA = i1
	x.peakA = max(x.peakA, i1)
}

func near(got, want, rel float64) bool { return math.Abs(got-want) <= rel*math.Abs(want) }

// shorted plays a dead short without bounce from 0 and returns what flowed until then.
func shorted(u Unit, untilS float64) *integrals {
	c := newCircuit(u, 0, 0, -1, 1)
	c.truth = newTracker(u, trace.Short, &c.src)
	x := &integrals{}
	c.watch = []observer{x}
	c.close(0)
	c.advance(trace.NS(untilS))
	return x
}

// The current and the Joule integral of an R-L rise in closed form, i = I(1-exp(-t/tau)) and
// I^2[T - 2tau(1-exp(-T/tau)) + tau/2(1-exp(-2T/tau))], for 12 V, 0.5 ohm, 0.5 mH (I = 24 A, tau = 1 ms):
// elementary circuit theory, numbers computed from the formula in double precision.
func TestInductiveRiseFollowsTheClosedForm(t *testing.T) {
	u := plain(12, 0.5, 0.5e-3)
	for _, c := range []struct{ t, amps, a2s float64 }{
		{1e-3, 15.170893411885384, 0.09682055465735712},
		{2e-3, 20.751953202321296, 0.43863134228862244},
		{5e-3, 23.83828927202195, 2.023749039763175},
		{10e-3, 23.9989104016857, 4.896052300125475},
		{20e-3, 23.999999950532313, 10.65600000237445},
	} {
		x := shorted(u, c.t)
		if !near(x.lastA, c.amps, 1e-9) {
			t.Errorf("current after %g s = %.12g A, want %.12g", c.t, x.lastA, c.amps)
		}
		if !near(x.a2s, c.a2s, 1e-4) { // chords of 20 us across a time constant of 1 ms
			t.Errorf("I2t after %g s = %.9g A2s, want %.9g", c.t, x.a2s, c.a2s)
		}
	}
}

// A capacitor that discharges into a resistance lets through V^2*C/(2R): its energy over the
// resistance. 1000 uF at 12 V into 0.1 ohm give 0.72 A2s.
func TestOutputCapacitorLetsItsEnergyThrough(t *testing.T) {
	u := plain(12, 1e3, 1)
	u.OutputCapF, u.OutputCapOhm = 1000e-6, 0.02
	c := newCircuit(u, 0.08, 0, -1, 1)
	c.truth = newTracker(u, trace.Short, &c.src)
	x := &integrals{}
	c.watch = []observer{x}
	c.close(0)
	c.advance(trace.NS(2e-3)) // twenty time constants
	const sourceA = 12.0 / 1000
	if want := 0.72; !near(x.a2s, want, 0.02) {
		t.Errorf("spike of 1000 uF = %.4g A2s, want %.4g", x.a2s, want)
	}
	if want := 12e-3 + sourceA*2e-3; !near(x.coulomb, want, 0.01) {
		t.Errorf("charge of 1000 uF = %.5g C, want %.5g", x.coulomb, want)
	}
	f := c.truth.report(c).Figures
	if !near(f["spike_a2s"], 0.72, 0.03) || !near(f["spike_charge_c"], 12e-3, 0.02) {
		t.Errorf("spike in the truth = %.4g A2s, %.4g C, want 0.72 and 0.012", f["spike_a2s"], f["spike_charge_c"])
	}
	if want := 12 / 0.1; !near(x.peakA, want, 0.03) {
		t.Errorf("peak of the spike = %.4g A, want %.4g", x.peakA, want)
	}
}

// A winding that loses P watts settles P*KelvinPerW above ambient, its copper then having
// R = R0(1 + 0.00393*dT) (IEC 60028); the current follows from the fixed point of the two.
func TestWarmWindingSettlesWhereLossAndResistanceAgree(t *testing.T) {
	u := plain(12, 3, 300e-6)
	u.Winding = Winding{KelvinPerW: 1.5, TauS: 0.5}
	got := shorted(u, 20).lastA
	want := 4.0
	for range 200 {
		warm := u.SourceOhm
		for range 200 {
			warm = u.SourceOhm * (1 + copperPerK*u.Winding.KelvinPerW*want*want*warm)
		}
		want = 12 / (warm + defaultRig)
	}
	if !near(got, want, 1e-4) || want > 3.5 {
		t.Errorf("current of the warm unit = %.6g A, want %.6g", got, want)
	}
}

// Thermal memory from cold: t/tau = ln(I^2/(I^2-It^2)), and hot from Ip = 0.9 It:
// ln((I^2-Ip^2)/(I^2-It^2)). Formulas of IEC 60255-149, numbers computed from them.
func TestTripTimesFollowTheThermalCharacteristic(t *testing.T) {
	for _, c := range []struct{ times, cold, hot float64 }{
		{1.1, 1.751268108, 0.644357016},
		{1.2, 1.185623666, 0.358945092},
		{1.5, 0.587786665, 0.141499562},
		{2, 0.287682072, 0.061408628},
		{3, 0.117783036, 0.023472356},
		{5, 0.040821995, 0.007885494},
		{10, 0.010050336, 0.001917353},
	} {
		for _, warm := range []bool{false, true} {
			const tau = 2.0
			u := plain(12, 12/c.times, 1e-6) // It is 1 A
			u.Protection = Protection{Kind: Breaker, TripA: 1, TauS: tau}
			want := c.cold * tau
			if warm {
				u.WarmStart, want = 0.81, c.hot*tau
			}
			sc := Scenario{Procedure: trace.Short, Contact: []Span{{0, 5}}, EndS: 5, Bounce: -1}
			rec, err := Record(u, sc, Meter{RateHz: 100}, 1)
			if err != nil {
				t.Fatal(err)
			}
			got := rec.Truth.Figures["time_to_cutoff_s"]
			if math.Abs(got-want) > 2e-4*want+3e-5 {
				t.Errorf("trip at %g times It (warm %v) after %.6g s, want %.6g", c.times, warm, got, want)
			}
		}
	}
}

// Mean over rms of the waveforms: 0.9003 full-wave, 0.6366 half-wave (NEM 630 prints 0.90 and 0.64),
// and the square root of the duty for a pulse train (closed form).
func TestWaveformsHaveTheirFormFactors(t *testing.T) {
	for _, c := range []struct {
		wave trace.Waveform
		want float64
	}{
		{trace.DC, 1},
		{trace.FullWave, 0.9003163161571062},
		{trace.HalfWave, 0.6366197723675814},
		{trace.PWM, math.Sqrt(0.85)},
	} {
		u := plain(12, 4, 1e-6)
		u.Plate.Waveform = c.wave
		x := shorted(u, 1) // whole periods of 50 Hz and of 120 Hz
		mean, rms := x.coulomb, math.Sqrt(x.a2s)
		if !near(mean, 3, 2e-3) {
			t.Errorf("%s: mean current = %.6g A, want 3", c.wave, mean)
		}
		if !near(mean/rms, c.want, 2e-3) {
			t.Errorf("%s: mean over rms = %.6g, want %.6g", c.wave, mean/rms, c.want)
		}
		if s := newSource(u); !near(s.formfact, 1/c.want, 1e-9) {
			t.Errorf("%s: form factor %.9g, want %.9g", c.wave, s.formfact, 1/c.want)
		}
	}
}

func TestALimiterClipsToTheMeanAsked(t *testing.T) {
	for _, wave := range trace.Waveforms {
		u := plain(12, 4, 1e-6)
		u.Plate.Waveform = wave
		u.Protection = Protection{Kind: CurrentLimit, LimitA: 0.8}
		if got := shorted(u, 1).coulomb; !near(got, 0.8, 3e-3) {
			t.Errorf("%s: mean of the limited current = %.5g A, want 0.8", wave, got)
		}
	}
}

// Whatever the step, the truth is the same: half of it moves no figure by more than the steps
// themselves explain.
func TestHalfTheStepTellsTheSameTruth(t *testing.T) {
	for _, u := range Shelf() {
		sc := ShortTest(0.3, 8, 5)
		whole, err := record(u, sc, Meter{RateHz: 50}, 7, stepNS)
		if err != nil {
			t.Fatal(err)
		}
		half, err := record(u, sc, Meter{RateHz: 50}, 7, stepNS/2)
		if err != nil {
			t.Fatal(err)
		}
		if whole.Truth.Behaviour != half.Truth.Behaviour || len(whole.Truth.Figures) != len(half.Truth.Figures) {
			t.Fatalf("%s: %s with %d figures, at half the step %s with %d", u.Plate.Name, whole.Truth.Behaviour,
				len(whole.Truth.Figures), half.Truth.Behaviour, len(half.Truth.Figures))
		}
		for key, v := range half.Truth.Figures {
			got := whole.Truth.Figures[key]
			if math.Abs(got-v) > 1e-3*math.Abs(v)+6e-5 {
				t.Errorf("%s: %s = %.7g, at half the step %.7g", u.Plate.Name, key, got, v)
			}
		}
		for n, m := range half.Truth.Marks {
			if got := whole.Truth.Marks[n]; got.Kind != m.Kind || math.Abs(got.T-m.T) > 1e-3*(m.T-0.3)+6e-5 {
				t.Errorf("%s: mark %d %s at %.5f s, at half the step %s at %.5f s", u.Plate.Name, n, got.Kind, got.T, m.Kind, m.T)
			}
		}
	}
}
