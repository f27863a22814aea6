package sim_test

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

func mustRecord(tb testing.TB, u sim.Unit, sc sim.Scenario, m sim.Meter, seed uint64) sim.Recording {
	tb.Helper()
	rec, err := sim.Record(u, sc, m, seed)
	if err != nil {
		tb.Fatal(err)
	}
	return rec
}

func mustFind(tb testing.TB, name string) sim.Unit {
	tb.Helper()
	u, err := sim.Find(name)
	if err != nil {
		tb.Fatal(err)
	}
	return u
}

// wants are figures with the share by which they may be off.
type wants map[string][2]float64

// What the shelf is said to do on a 30 s short, with each unit's own waveform and with smooth DC.
func TestShelfDoesOnAShortWhatItsTableSays(t *testing.T) {
	for _, c := range []struct {
		unit     string
		ratedA   float64
		behave   trace.Behaviour
		recovery trace.Recovery
		figures  wants
	}{
		{"Tin", 1.4, trace.AutoRetry, trace.ByItself, wants{
			"peak_current_a": {4.5, 0.01}, "end_current_a": {4.2, 0.01}, "time_to_cutoff_s": {0.9, 0.02},
			"retry_period_s": {2.6, 0.001}, "retry_width_s": {0.25, 0.01}, "retry_count": {11, 0}}},
		{"Slate", 1.5, trace.Latching, trace.NeedsReset, wants{
			"sustained_current_a": {5.1, 0.01}, "time_to_cutoff_s": {0.035, 0.05}, "retry_count": {0, 0}}},
		{"Amber", 0.8, trace.FoldBack, trace.ByItself, wants{
			"sustained_current_a": {2.5, 0.01}, "residual_current_a": {0.9, 0.01}, "time_to_limit_s": {0.3, 0.03}}},
		{"Moss", 0.3, trace.Sustained, trace.ByItself, wants{"sustained_current_a": {2.8, 0.06}}},
		{"Clay", 3.0, trace.Hiccup, trace.ByItself, wants{
			"peak_current_a": {12, 0.01}, "time_to_cutoff_s": {0.06, 0.04},
			"retry_period_s": {0.62, 0.001}, "retry_width_s": {0.06, 0.01}}},
		{"Flint", 2.0, trace.Latching, trace.NeedsReset, wants{
			"end_current_a": {4.7, 0.03}, "time_to_cutoff_s": {4, 0.05}}},
		{"Fern", 0.5, trace.LimitedCurrent, trace.ByItself, wants{
			"peak_current_a": {0.58, 0.001}, "sustained_current_a": {0.58, 0.001}}},
	} {
		for _, smooth := range []bool{false, true} {
			u := mustFind(t, c.unit)
			u.Smooth = smooth
			if u.Plate.RatedCurrentA != c.ratedA {
				t.Errorf("%s: rated %g A, want %g", c.unit, u.Plate.RatedCurrentA, c.ratedA)
			}
			truth := mustRecord(t, u, sim.ShortTest(2, 30, 10), sim.Meter{RateHz: 20}, 3).Truth
			if truth.Behaviour != c.behave || truth.Recovery != c.recovery {
				t.Errorf("%s (smooth %v): %s, %s; want %s, %s", c.unit, smooth, truth.Behaviour, truth.Recovery, c.behave, c.recovery)
			}
			for key, want := range c.figures {
				got, ok := truth.Figures[key]
				if !ok || math.Abs(got-want[0]) > want[1]*want[0]+1e-12 {
					t.Errorf("%s (smooth %v): %s = %.5g (there: %v), want %g within %g %%", c.unit, smooth, key, got, ok, want[0], 100*want[1])
				}
			}
		}
	}
}

// A rippled output heats more than its mean says: form factors 1.1107 and 1.5708 of full-wave and
// half-wave sines (closed form), 1/sqrt(0.85) of the pulse train; the sag adds a little.
func TestTruthTellsRippleAndFormFactor(t *testing.T) {
	for _, c := range []struct {
		unit       string
		hz, factor float64
	}{{"Tin", 0, 1}, {"Amber", 100, 1.1107}, {"Moss", 50, 1.5708}, {"Flint", 120, 1.0847}} {
		f := mustRecord(t, mustFind(t, c.unit), sim.ShortTest(0.5, 5, 0.5), sim.Meter{RateHz: 20}, 2).Truth.Figures
		if math.Abs(f["ripple_hz"]-c.hz) > 1e-9 || math.Abs(f["form_factor"]-c.factor) > 0.01*c.factor {
			t.Errorf("%s: %.6g Hz, form factor %.5g; want %g and %g", c.unit, f["ripple_hz"], f["form_factor"], c.hz, c.factor)
		}
	}
}

func TestFlintOpensEarlierWhenWarmAndClosesWhenCooled(t *testing.T) {
	u := mustFind(t, "Flint")
	truth := mustRecord(t, u, sim.ShortTest(1, 60, 10), sim.Meter{RateHz: 20}, 1).Truth
	on, ok := truth.FirstMark(trace.RetryOn)
	cut, _ := truth.FirstMark(trace.CutOff)
	if !ok || math.Abs(on.T-cut.T-40) > 2 {
		t.Errorf("closes again after %.3g s, want about 40", on.T-cut.T)
	}
	off, ok := truth.FirstMark(trace.RetryOff)
	if cold, warm := cut.T-1, off.T-on.T; !ok || warm > 0.8*cold {
		t.Errorf("opens after %.3g s when warm, %.3g s when cold", warm, cold)
	}
	if truth.Behaviour != trace.AutoRetry {
		t.Errorf("in a 60 s hold it is %s, want auto_retry", truth.Behaviour)
	}
}

func TestUnitsCarryTheirRatingAndTripAboveIt(t *testing.T) {
	for _, u := range sim.Shelf() {
		rated := u.Plate.RatedCurrentA
		carry := mustRecord(t, u, sim.CarryTest(u, 0.1, 10, false), sim.Meter{RateHz: 20}, 1).Truth
		if got := carry.Figures["carried_current_a"]; carry.Behaviour != trace.Carried || math.Abs(got-rated) > 0.02*rated {
			t.Errorf("%s: %s %.4g A, want carried %g A", u.Plate.Name, carry.Behaviour, got, rated)
		}
		ramp := mustRecord(t, u, sim.RampTest(0.1, 0.5*rated, 2.4*rated, 0.1*rated), sim.Meter{RateHz: 20}, 1).Truth
		protected := u.Protection.TripA > 0
		if protected != (ramp.Behaviour == trace.Tripped) {
			t.Errorf("%s: ramp is %s", u.Plate.Name, ramp.Behaviour)
		}
		trip, ok := ramp.Figures["trip_current_a"]
		if ok != protected || protected && (trip < u.Protection.TripA || trip > 2.2*rated) {
			t.Errorf("%s: trips at %.4g A on a ramp (%v), holds for ever %.4g A", u.Plate.Name, trip, ok, u.Protection.TripA)
		}
	}
}

func TestOverloadsTripSoonerTheHigherTheyAre(t *testing.T) {
	for _, name := range []string{"Tin", "Slate", "Amber", "Flint"} {
		u := mustFind(t, name)
		last := math.Inf(1)
		for _, times := range []float64{1.7, 2, 2.3} {
			truth := mustRecord(t, u, sim.OverloadTest(u, 0.1, times, 20, 0.1), sim.Meter{RateHz: 10}, 1).Truth
			got, ok := truth.Figures["time_to_trip_s"]
			if !ok || got >= last {
				t.Errorf("%s: %g times the rating trips after %.4g s (%v), a lower one after %.4g s", name, times, got, ok, last)
			}
			last = got
			if load := truth.Figures["load_current_a"]; math.Abs(load-times*u.Plate.RatedCurrentA) > 0.07*load { // it sags as the winding warms
				t.Errorf("%s: load %.4g A, want %.4g", name, load, times*u.Plate.RatedCurrentA)
			}
		}
	}
}

func TestStepsFindTheStairThatTrips(t *testing.T) {
	u := mustFind(t, "Slate") // holds 2.25 A for ever
	truth := mustRecord(t, u, sim.StepsTest(1, 5, 1.5, 1.9, 2.1, 2.6, 3), sim.Meter{RateHz: 20}, 1).Truth
	f := truth.Figures
	if truth.Behaviour != trace.Tripped || math.Abs(f["carried_current_a"]-2.1) > 0.03 || math.Abs(f["tripped_current_a"]-2.6) > 0.03 {
		t.Errorf("%s: carried %.4g A, tripped at %.4g A, want 2.1 and 2.6", truth.Behaviour, f["carried_current_a"], f["tripped_current_a"])
	}
	if want := (f["carried_current_a"] + f["tripped_current_a"]) / 2; f["trip_current_a"] != want {
		t.Errorf("trip current %.6g A, want the middle %.6g", f["trip_current_a"], want)
	}
}

// The help page's table is the shelf's: same units, same plates.
func TestTheHelpPageDescribesTheShelf(t *testing.T) {
	page, err := os.ReadFile("../../static/help/simulation.md")
	if err != nil {
		t.Fatal(err)
	}
	waveform := map[trace.Waveform]string{trace.DC: "smooth DC", trace.FullWave: "full-wave", trace.HalfWave: "half-wave", trace.PWM: "pulse-width 120 Hz"}
	for _, u := range sim.Shelf() {
		p := u.Plate
		row := fmt.Sprintf("| %s | %g V %.1f A, %s |", p.Name, p.RatedVoltageV, p.RatedCurrentA, waveform[p.Waveform])
		if !strings.Contains(string(page), row) {
			t.Errorf("the help page has no row %q", row)
		}
	}
}

func TestFindNamesTheShelf(t *testing.T) {
	if u, err := sim.Find("tIN"); err != nil || u.Plate.Name != "Tin" {
		t.Errorf("Find(tIN) = %q, %v", u.Plate.Name, err)
	}
	_, err := sim.Find("Brass")
	if want := `no simulated unit is called "Brass": there are Tin, Slate, Amber, Moss, Clay, Flint, Fern`; err == nil || err.Error() != want {
		t.Errorf("Find(Brass) = %v, want %s", err, want)
	}
}

// The truth against an independent reading of the same test: a noiseless instrument at 50 kS/s,
// evaluated here with nothing but sums over its samples.
func TestTruthAgreesWithAFineRecording(t *testing.T) {
	for _, u := range sim.Shelf() {
		u.Smooth = true
		sc := sim.ShortTest(0.5, 6, 1)
		sc.Bounce = -1
		rec := mustRecord(t, u, sc, sim.Meter{RateHz: 50000}, 11)
		f := rec.Truth.Figures
		onset, _ := rec.Truth.FirstMark(trace.Onset)
		removed, _ := rec.Truth.FirstMark(trace.Removed)
		end := removed.T
		if f["time_to_cutoff_s"] > 0 {
			end = onset.T + f["time_to_cutoff_s"]
		} else if f["time_to_limit_s"] > 0 {
			end = onset.T + f["time_to_limit_s"]
		}
		var hold, letThrough, charge, peak float64
		for n, b := range rec.Current[1:] {
			a := rec.Current[n]
			dt := b.At() - a.At()
			i2 := dt * (a.Value*a.Value + a.Value*b.Value + b.Value*b.Value) / 3
			if a.At() >= onset.T && b.At() <= removed.T {
				hold += i2
				charge += dt * (a.Value + b.Value) / 2
			}
			if a.At() >= onset.T && b.At() <= end {
				letThrough += i2
				peak = max(peak, b.Value)
			}
		}
		for key, got := range map[string]float64{"hold_a2s": hold, "charge_c": charge, "let_through_a2s": letThrough} {
			if want := f[key]; math.Abs(got-want) > 2e-3*want+2e-5*25 {
				t.Errorf("%s: %s = %.6g from the recording, %.6g in the truth", u.Plate.Name, key, got, want)
			}
		}
		if u.Plate.Name != "Fern" && math.Abs(peak-f["peak_current_a"]) > 1e-3*peak {
			t.Errorf("%s: peak %.6g A from the recording, %.6g in the truth", u.Plate.Name, peak, f["peak_current_a"])
		}
		at, _ := slices.BinarySearchFunc(rec.Current, onset.T, func(s trace.Sample, at float64) int {
			return int(math.Copysign(1, s.At()-at))
		})
		plateau := u.OpenV / (u.SourceOhm + 0.12)
		if u.Plate.Name == "Fern" {
			plateau = 0.58
		}
		if lo, hi := rec.Current[at-1].Value, rec.Current[at+1].Value; lo > plateau/2 || hi < plateau/2 {
			t.Errorf("%s: at the onset the current runs from %.4g to %.4g A, want half of %.4g A between", u.Plate.Name, lo, hi, plateau)
		}
	}
}

func TestTruthOfASecondShortIsTheFirstOnes(t *testing.T) {
	sc := sim.ShortTest(1, 5, 20)
	once := mustRecord(t, mustFind(t, "Slate"), sc, sim.Meter{RateHz: 10}, 5).Truth
	sc.Contact = append(sc.Contact, sim.Span{FromS: 12, ToS: 13})
	twice := mustRecord(t, mustFind(t, "Slate"), sc, sim.Meter{RateHz: 10}, 5).Truth
	if len(once.Figures) != len(twice.Figures) || once.Figures["hold_a2s"] != twice.Figures["hold_a2s"] {
		t.Errorf("second short changed the truth: %v, was %v", twice.Figures, once.Figures)
	}
}

func TestNothingHappensWithoutContact(t *testing.T) {
	truth := mustRecord(t, mustFind(t, "Tin"), sim.Scenario{Procedure: trace.Short, EndS: 2}, sim.Meter{RateHz: 10}, 1).Truth
	if truth.Behaviour != trace.None || len(truth.Figures) != 0 || truth.Recovery != trace.NotTested || len(truth.Marks) != 0 {
		t.Errorf("truth = %+v, want none", truth)
	}
}
