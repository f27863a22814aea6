package sim

import (
	"math"
	"slices"
	"testing"

	"letthrough/capture/trace"
	"pgregory.net/rapid"
)

// The 50 % instant of a first-order rise is ln 2 time constants after its start (IEEE Std 181
// reference levels, closed form), whatever the physics step.
func TestOnsetIsTheHalfLevelInstant(t *testing.T) {
	for _, tau := range []float64{50e-6, 1e-3, 20e-3} {
		u := plain(12, 2, 2*tau)
		sc := Scenario{Procedure: trace.Short, Contact: []Span{{0.1000037, 0.3}}, EndS: 0.4, Bounce: -1}
		rec, err := Record(u, sc, Meter{RateHz: 100}, 1)
		if err != nil {
			t.Fatal(err)
		}
		onset, _ := rec.Truth.FirstMark(trace.Onset)
		want := 0.1000037 + math.Ln2*tau
		if math.Abs(onset.T-want) > 1e-6 {
			t.Errorf("tau %g s: onset at %.8f s, want %.8f", tau, onset.T, want)
		}
	}
}

// An open element that leaks lets through what source and leak resistance allow, and its cut-off is
// halfway down to that.
func TestALeakIsTheResidualCurrent(t *testing.T) {
	u := plain(12, 2, 400e-6)
	u.Protection = Protection{Kind: Breaker, TripA: 2, TauS: 1, RetryPeriodS: 1, RetryWidthS: 0.1}
	u.LeakOhm = 58
	rec, err := Record(u, ShortTest(0.1, 5, 1), Meter{RateHz: 10}, 1)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := rec.Truth.Figures["residual_current_a"], 0.2; !near(got, want, 1e-6) {
		t.Errorf("residual current = %.6g A, want %.6g", got, want)
	}
}

// A standing load beside the contact flows before, and comes back as soon as the unit does.
func TestAStandingLoadFlowsBesideTheContact(t *testing.T) {
	sc := ShortTest(1, 5, 4)
	sc.StandingOhm = 98.38 // 0.1 A from a source of 10 V and 1.5 ohm with 0.12 ohm of rig
	u := plain(10, 1.62, 200e-6)
	u.Protection = Protection{Kind: Breaker, TripA: 1, TauS: 1, RetryPeriodS: 2, RetryWidthS: 0.1}
	rec, err := Record(u, sc, Meter{RateHz: 100, PhaseS: 0.003}, 1)
	if err != nil {
		t.Fatal(err)
	}
	if got := rec.Current[50].Value; !near(got, 0.1, 1e-6) {
		t.Errorf("standing current = %.6g A, want 0.1", got)
	}
	restored, ok := rec.Truth.FirstMark(trace.Restored)
	back := slices.IndexFunc(rec.Current, func(s trace.Sample) bool { return s.At() > 6 && s.Value > 0.05 })
	if !ok || back < 0 || math.Abs(rec.Current[back].At()-restored.T) > 0.011 {
		t.Errorf("the standing load is back at %d, restored at %.4f s (%v)", back, restored.T, ok)
	}
}

func TestBinsAreMeansOfWholeStretches(t *testing.T) {
	var b bins
	b.resume(250, 1000)
	for n := range int64(50) { // a ramp of 1 A a nanosecond in steps that do not fit the bins
		b.add(n*150, (n+1)*150, float64(n*150), float64((n+1)*150))
	}
	want := []float64{750, 1750, 2750, 3750, 4750, 5750, 6750}
	if len(b.mean) != len(want) {
		t.Fatalf("%d bins, want %d", len(b.mean), len(want))
	}
	for n := range want {
		if !near(b.mean[n], want[n], 1e-12) {
			t.Errorf("bin %d = %g, want %g", n, b.mean[n], want[n])
		}
	}
	if got := b.between(1250, 4300); !slices.Equal(got, b.mean[1:4]) {
		t.Errorf("bins between 1250 and 4300 = %v, want %v", got, b.mean[1:4])
	}
}

func TestBinsOfAForgottenTestGetWider(t *testing.T) {
	var b bins
	b.resume(0, 1)
	for n := range int64(3 * mostBins) {
		b.add(n, n+1, 2, 2)
	}
	if len(b.mean) > mostBins || b.widthNS != 4 || b.mean[0] != 2 {
		t.Errorf("%d bins of %g ns, first %g", len(b.mean), b.widthNS, b.mean[0])
	}
}

func TestASplitLineEndsWritesAnywhere(t *testing.T) {
	l := newLine(Faults{Split: true}, 1)
	short := 0
	for range 100 {
		n := l.cut(50)
		if n < 1 || n > 50 {
			t.Fatalf("a write of %d of 50 bytes", n)
		}
		if n < 50 {
			short++
		}
	}
	if whole := newLine(Faults{}, 1).cut(50); short < 80 || whole != 50 {
		t.Errorf("%d of 100 writes are short, a faultless one takes %d of 50", short, whole)
	}
}

// drawUnit draws a unit of any kind within sane bounds.
func drawUnit(t *rapid.T) Unit {
	u := plain(rapid.Float64Range(3, 24).Draw(t, "volts"), 0, rapid.Float64Range(1e-5, 5e-3).Draw(t, "henry"))
	u.SourceOhm = rapid.Float64Range(0.3, 20).Draw(t, "ohm")
	u.Plate.Waveform = rapid.SampledFrom(trace.Waveforms).Draw(t, "waveform")
	u.Winding = Winding{rapid.Float64Range(0, 1).Draw(t, "K/W"), rapid.Float64Range(0.5, 20).Draw(t, "winding s")}
	short := u.OpenV / (u.SourceOhm + defaultRig)
	u.Plate.RatedCurrentA = short * rapid.Float64Range(0.1, 0.9).Draw(t, "rating")
	p := Protection{
		Kind:     rapid.SampledFrom([]ProtectionKind{NoProtection, Breaker, Bimetal, FoldBack, CurrentLimit}).Draw(t, "kind"),
		TripA:    short * rapid.Float64Range(0.2, 1.2).Draw(t, "trip"),
		TauS:     rapid.Float64Range(0.05, 5).Draw(t, "tau"),
		CoolTauS: 3, Reclose: 0.5, LimitA: short * rapid.Float64Range(0.1, 0.9).Draw(t, "limit"),
	}
	if rapid.Bool().Draw(t, "retries") {
		p.RetryPeriodS = rapid.Float64Range(0.1, 2).Draw(t, "period")
		p.RetryWidthS = p.RetryPeriodS * rapid.Float64Range(0.05, 0.9).Draw(t, "width")
	}
	if rapid.IntRange(0, 7).Draw(t, "capacitor") == 7 {
		u.OutputCapF, u.OutputCapOhm = 470e-6, 0.05
	}
	u.Protection = p
	return u
}

func TestAnyTruthIsConsistent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := drawUnit(t)
		sc := ShortTest(0.02, rapid.Float64Range(0.02, 0.6).Draw(t, "hold"), 0.1)
		sc.StandingOhm = rapid.SampledFrom([]float64{0, 0, 50}).Draw(t, "standing")
		rec, err := Record(u, sc, Meter{RateHz: 200, Voltage: true}, rapid.Uint64().Draw(t, "seed"))
		if err != nil {
			t.Fatal(err)
		}
		for n, s := range append(rec.Current, rec.Voltage...) {
			if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) || s.Value < -1e-12 {
				t.Fatalf("sample %d is %g", n, s.Value)
			}
		}
		f := rec.Truth.Figures
		for key, v := range f {
			if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
				t.Fatalf("%s = %g", key, v)
			}
		}
		if f["let_through_a2s"] > f["hold_a2s"]*(1+1e-9) || f["heating_current_a"] > max(f["peak_current_a"], f["retry_peak_a"])*(1+1e-9) {
			t.Fatalf("let through %g of %g A2s, heating %g A, peak %g A", f["let_through_a2s"], f["hold_a2s"], f["heating_current_a"], f["peak_current_a"])
		}
		counts := map[trace.MarkKind]int{}
		for n, m := range rec.Truth.Marks {
			counts[m.Kind]++
			if n > 0 && m.T < rec.Truth.Marks[n-1].T {
				t.Fatalf("mark %s at %g s is before %s at %g s", m.Kind, m.T, rec.Truth.Marks[n-1].Kind, rec.Truth.Marks[n-1].T)
			}
		}
		if float64(counts[trace.RetryOn]) != f["retry_count"] || counts[trace.RetryOff] > counts[trace.RetryOn] || counts[trace.CutOff] > 1 {
			t.Fatalf("marks %v, retry_count %g", counts, f["retry_count"])
		}
	})
}
