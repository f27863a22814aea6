package trip_test

import (
	"math"
	"testing"

	"letthrough/capture/trace"
)

// Joule integrals in closed form (IEC 60050-441-18-23: the integral of i² dt), each sampled finely
// inside an otherwise quiet trace. The pulse ends in a cut-off.
func TestLetThroughMeetsClosedForms(t *testing.T) {
	const (
		rate = 20000.0
		on   = 1.00001
	)
	for _, c := range []struct {
		name   string
		length float64
		i      func(t float64) float64
		want   float64 // A²s
		tol    float64
	}{
		{"rectangle I²T", 0.5, func(float64) float64 { return 4 }, 8, 0.002},
		// R-L rise: Iinf²[T - 2tau(1-e^(-T/tau)) + tau/2 (1-e^(-2T/tau))]; 12 V, 0.5 ohm, 0.5 mH, cut at 20 ms,
		// less the part before the 50 % instant at tau ln 2, where the integral begins.
		{"R-L rise, 24 A, tau 1 ms, 20 ms", 0.02, func(t float64) float64 { return 24 * (1 - math.Exp(-t/1e-3)) },
			10.65600000237445 - 576e-3*(math.Ln2-1+0.375), 0.02},
		// decay from I0: I0² tau/2 (1-e^(-2T/tau))
		{"decay from 30 A, tau 200 ms, 200 ms", 0.2, func(t float64) float64 { return 30 * math.Exp(-t/0.2) }, 900 * 0.1 * (1 - math.Exp(-2)), 0.2},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := finish(t, trace.Settings{RatedCurrentA: 1.5}, wave(rate, 0, 3, func(s float64) float64 {
				if s < on || s >= on+c.length {
					return 0
				}
				return c.i(s - on)
			}))
			f := figure(t, d, "let_through_a2s")
			if math.Abs(f.Value-c.want) > c.tol {
				t.Errorf("let through %v ± %v, want %v", f.Value, f.U, c.want)
			}
		})
	}
}

// Retry in closed form: 20 A for 5 ms every 200 ms, ten pulses: 20 A²s, rms 3.1622776601683795 A over
// 2 s, mean 0.5 A, duty 2.5 % (arithmetic of rectangles).
func TestRetryMeetsClosedForm(t *testing.T) {
	const on = 1.00002
	d := finish(t, trace.Settings{RatedCurrentA: 2, HoldS: 2 - 1e-6}, wave(20000, 0, 3.5, func(t float64) float64 {
		if t < on || t >= on+2 {
			return 0
		}
		return between(math.Mod(t-on, 0.2), 0, 0.005, 20)
	}))
	if d.Behaviour != trace.Hiccup {
		t.Errorf("behaviour %s, want hiccup", d.Behaviour)
	}
	near(t, d, "hold_a2s", 20, 0.2)
	near(t, d, "heating_current_a", 3.1622776601683795, 0.016)
	near(t, d, "charge_c", 1.0, 0.01)
	near(t, d, "retry_count", 9, 0)
	near(t, d, "retry_period_s", 0.2, 5e-5)
	near(t, d, "retry_width_s", 0.005, 1e-4)
	near(t, d, "retry_duty", 0.025, 0.0005)
}

// Form factors of rectified sines: pi/(2 sqrt 2) and pi/2; a pulse train of duty 1/4 has 2 (textbook;
// the mean factors 0.90 and 0.64 stand in NEM 630).
func TestFormFactorMeetsTextbook(t *testing.T) {
	for _, c := range []struct {
		name string
		i    func(t float64) float64
		hz   float64
		want float64
	}{
		{"full-wave 50 Hz mains", func(t float64) float64 { return 4 * math.Abs(math.Sin(2*math.Pi*50*t)) }, 100, math.Pi / (2 * math.Sqrt2)},
		{"half-wave 50 Hz mains", func(t float64) float64 { return 4 * max(math.Sin(2*math.Pi*50*t), 0) }, 50, math.Pi / 2},
		{"full-wave 60 Hz mains", func(t float64) float64 { return 4 * math.Abs(math.Sin(2*math.Pi*60*t)) }, 120, math.Pi / (2 * math.Sqrt2)},
		{"pulses of duty 1/4 at 150 Hz", func(t float64) float64 { return between(math.Mod(t*150, 1), 0, 0.25, 4) }, 150, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := finish(t, trace.Settings{RatedCurrentA: 1}, wave(10000, 0, 5, func(t float64) float64 {
				if t < 1.0003 || t > 3.5 {
					return 0
				}
				return c.i(t)
			}))
			if d.Behaviour != trace.Latching {
				t.Errorf("behaviour %s, want latching", d.Behaviour)
			}
			near(t, d, "ripple_hz", c.hz, 0.05)
			near(t, d, "form_factor", c.want, 0.01*c.want)
		})
	}
}

// Reference-level instants of IEEE Std 181, section 5: linear interpolation between the readings that
// straddle the 50 % level of the local state levels. The tabled waveform y = 0,0,0,0,2,4,6,8,10,... at
// 1 kS/s crosses 5 at 5.5 ms and 13.25 ms on its own axis, a width of 7.75 ms. Here its top is held
// long enough to be a level.
func TestInstantsMeetReferenceLevels(t *testing.T) {
	y := func(k int) float64 {
		switch {
		case k < 4:
			return 0
		case k < 8:
			return float64(2 * (k - 3))
		case k < 508:
			return 10
		case k == 508:
			return 6
		case k == 509:
			return 2
		}
		return 0
	}
	var s []trace.Sample
	for k := -500; k < 1000; k++ {
		s = append(s, trace.Sample{AtNS: int64(k+500) * 1e6, Value: y(k)})
	}
	d := finish(t, trace.Settings{RatedCurrentA: 3}, s)
	onset, ok := d.FirstMark(trace.Onset)
	if want := 0.5 + 0.0055; !ok || math.Abs(onset.T-want) > 1e-9 {
		t.Errorf("onset at %v, want %v", onset.T, want)
	}
	cut, ok := d.FirstMark(trace.CutOff)
	if want := 0.5 + 0.50825; !ok || math.Abs(cut.T-want) > 1e-9 {
		t.Errorf("cut-off at %v, want %v", cut.T, want)
	}
}

// First-order rise: the 50 % level is crossed after ln 2 tau (closed form).
func TestOnsetOfFirstOrderRise(t *testing.T) {
	const tau, on = 0.05, 1.0
	d := finish(t, trace.Settings{RatedCurrentA: 1.5}, wave(1000, 0, 6, func(t float64) float64 {
		if t < on || t >= 4 {
			return 0
		}
		return 6 * (1 - math.Exp(-(t-on)/tau))
	}))
	m, ok := d.FirstMark(trace.Onset)
	if want := on + math.Ln2*tau; !ok || math.Abs(m.T-want) > m.U+1e-4 {
		t.Errorf("onset at %v ± %v, want %v", m.T, m.U, want)
	}
}

// Capacitor discharge: V² C / (2R) and V C (closed form). 12 V on 1000 uF over 0.1 ohm gives 0.72 A²s
// and 12 mC on top of the plateau.
func TestSpikeMeetsCapacitorDischarge(t *testing.T) {
	const on, tau = 1.0000125, 1e-4 // R C
	d := finish(t, trace.Settings{RatedCurrentA: 1.5}, wave(100000, 0, 3, func(t float64) float64 {
		if t < on || t >= 2.5 {
			return 0
		}
		return 4 + 120*math.Exp(-(t-on)/tau)
	}))
	// The spike crosses the plateau: (p+s)² = p² + s² + 2ps, and the cross term is 2 p V C.
	want := 0.72 + 2*4*0.012
	f := figure(t, d, "spike_a2s")
	if math.Abs(f.Value-want) > 0.05*want {
		t.Errorf("spike_a2s = %v ± %v, want %v", f.Value, f.U, want)
	}
	if c := figure(t, d, "spike_charge_c"); math.Abs(c.Value-0.012) > 0.0006 {
		t.Errorf("spike_charge_c = %v ± %v, want 0.012", c.Value, c.U)
	}
	near(t, d, "sustained_current_a", 4, 0.01)
	near(t, d, "time_to_cutoff_s", 2.5-on, 2e-5)
}
