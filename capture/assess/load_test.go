package assess_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
)

func has(say []string, want string) bool {
	return slices.ContainsFunc(say, func(s string) bool { return strings.Contains(s, want) })
}

// k of copper from 30 to 160 °C is 142.6861 with the constants of IEC 60949 (IEC 60364-5-54 prints 143): a wire
// of 0.5 mm² stands 142.6861² x 0.25 A²s. A winding of class B ends at 130 °C (IEC 60085).
func TestWhatALoadStandsIsWorkedOutWithItsAssumptions(t *testing.T) {
	wire := assess.Known(trace.Load{Name: "thin", Kind: "wire", WireDiameterMM: math.Sqrt(0.5 * 4 / math.Pi)})
	if want := 142.6861 * 142.6861 * 0.25; math.Abs(wire.WithstandA2s/want-1) > 1e-4 || wire.LimitC != 160 || !has(wire.Assumed, "copper of 0.5 mm² in PVC, from 30 °C to 160 °C, which is meant for shorts of at most 5 s") {
		t.Errorf("%v A²s, want %v; %q", wire.WithstandA2s, want, wire.Assumed)
	}
	motor := assess.Known(trace.Load{Name: "Loco", Kind: "motor", WireDiameterMM: 0.1, InsulationClass: "B", TimeConstantS: 40})
	area := math.Pi * 0.01 / 4
	k2 := 3.45e-3 * 254.5 / 17.241e-6 * math.Log((234.5+130)/(234.5+30))
	if want := k2 * area * area; math.Abs(motor.WithstandA2s/want-1) > 1e-9 || math.Abs(motor.ContinuousA-math.Sqrt(want/40)) > 1e-9 || len(motor.Assumed) != 2 ||
		!has(motor.Assumed, "from 30 °C to the 130 °C of class B, all heat kept") {
		t.Errorf("%+v, want %v A²s", motor, want)
	}
	if l := assess.Known(trace.Load{Name: "x", WithstandA2s: 8, ContinuousA: 0.4}); math.Abs(l.TimeConstantS-50) > 1e-9 {
		t.Errorf("time constant %v, want 50", l.TimeConstantS)
	}
	if l := assess.Known(trace.Load{Name: "x", ContinuousA: 0.4, TimeConstantS: 50}); math.Abs(l.WithstandA2s-8) > 1e-12 {
		t.Errorf("withstand %v, want 8", l.WithstandA2s)
	}
	told := trace.Load{Name: "x", WithstandA2s: 9, ContinuousA: 1, TimeConstantS: 3, WireDiameterMM: 0.1, InsulationClass: "F"}
	if l := assess.Known(told); l.Load != told || len(l.Assumed) != 0 {
		t.Errorf("what is told is changed: %+v", l)
	}
	if l := assess.Known(trace.Load{Name: "x", WireDiameterMM: 0.1}); l.WithstandA2s != 0 || !math.IsNaN(l.StandsS(1)) {
		t.Errorf("of nothing: %+v", l)
	}
}

// Times of a body of one time constant, IEC 60255-149: k 1.05, Ib 2 A, tau 60 s takes 7.840699418526972 s at 6 A.
func TestHowLongALoadStandsACurrent(t *testing.T) {
	l := assess.Known(trace.Load{Name: "x", ContinuousA: 2.1, TimeConstantS: 60})
	if got := l.StandsS(6); math.Abs(got-7.840699418526972) > 1e-9 {
		t.Errorf("%v s", got)
	}
	if !math.IsInf(l.StandsS(2), 1) {
		t.Error("not for ever below what it stands for ever")
	}
	if got := assess.Known(trace.Load{Name: "x", WithstandA2s: 8}).StandsS(4); got != 0.5 {
		t.Errorf("adiabatic: %v s, want 0.5", got)
	}
}

func curveOf(bound trace.Bound, points ...[2]float64) assess.Curve {
	var runs []assess.Run
	for i, p := range points {
		runs = append(runs, assess.Run{ID: int64(i + 1), Procedure: trace.Overload, Behaviour: trace.Latching, State: trace.RunComplete, Figures: trace.Figures{
			figure("load_current_a", p[0], 0.01, trace.Exact), figure("time_to_trip_s", p[1], 0.01, bound)}})
	}
	return assess.Curves(runs)[0]
}

func TestWhereAUnitTakesLongerThanALoadStands(t *testing.T) {
	motor := assess.Known(trace.Load{Name: "Loco", Kind: "motor", WithstandA2s: 20.8})
	say := assess.Crossings(motor, "Tin", curveOf(trace.Exact, [2]float64{4, 1.9}, [2]float64{6, 0.2}))
	if len(say) != 1 || say[0] != "a stalled motor of this kind (Loco) is safe for at most 1.3 s at 4 A; Tin needs 1.9 s (run 1)" {
		t.Errorf("%q", say)
	}
	if say := assess.Crossings(motor, "Tin", curveOf(trace.AtLeast, [2]float64{4, 30})); !has(say, "Tin needs at least 29.99 s") {
		t.Errorf("%q", say)
	}
	if say := assess.Crossings(motor, "Tin", curveOf(trace.AtMost, [2]float64{4, 1.9})); len(say) != 0 {
		t.Errorf("a bound that may lie on either side: %q", say)
	}
	if say := assess.Crossings(motor, "Tin", curveOf(trace.Exact, [2]float64{4, 1.301})); !has(say, "takes about as long") {
		t.Errorf("%q", say)
	}
	// The fitted curve: t = 6/((I/2)² - 1) against 20.8/I² crosses where 6 I² = 20.8 (I²/4 - 1), that is nowhere
	// above 2 A: it takes longer at every current.
	var all [][2]float64
	for _, i := range []float64{2.4, 2.8, 3.3, 4, 5, 6.5, 8, 10} {
		all = append(all, [2]float64{i, 6 / (i*i/4 - 1)})
	}
	if say := assess.Crossings(motor, "Tin", curveOf(trace.Exact, all...)); !has(say, "by the fitted curve Tin takes longer than Loco stands between 2 A and 10 A") {
		t.Errorf("%q", say)
	}
}

func TestWithstandCurvesKeepToTheirValidity(t *testing.T) {
	wire := assess.Known(trace.Load{Name: "thin", Kind: "wire", WireDiameterMM: 0.2})
	w, ok := assess.WithstandBeside(wire, 0.5, 50)
	if !ok {
		t.Fatal("no curve")
	}
	for _, p := range w.CurveAS {
		if p[1] > 5 || math.Abs(p[0]*p[0]*p[1]/wire.WithstandA2s-1) > 1e-9 {
			t.Errorf("%v", p)
		}
	}
	if _, ok := assess.WithstandBeside(assess.Known(trace.Load{Name: "x"}), 0.5, 50); ok {
		t.Error("a curve of nothing")
	}
}

func steadyTrace(a float64, seconds, dt float64) (s []trace.Sample) {
	for i := 0; float64(i)*dt <= seconds+1e-9; i++ {
		s = append(s, trace.Sample{AtNS: int64(math.Round(float64(i) * dt * 1e9)), Value: a})
	}
	return s
}

// A steady current: with all heat kept the share is I² t over the withstand, with the time constant that of
// IEC 60255-149.
func TestALoadAlongASteadyCurrent(t *testing.T) {
	l := assess.Known(trace.Load{Name: "x", ContinuousA: 2.1, TimeConstantS: 60})
	for _, dt := range []float64{0.001, 0.1, 0.7} {
		s := assess.Through(l, 0.5)
		s.Add(steadyTrace(6, 10, dt), 0)
		o := s.Done()
		if o.UsedUpS == nil || math.Abs(*o.UsedUpS-7.8407) > 0.02*max(1, dt*20) || o.Survived != "no" {
			t.Errorf("every %v s: used up after %v, %s", dt, o.UsedUpS, o.Say)
		}
		end := math.Floor(10/dt+1e-9) * dt
		if want := 36 * end / (2.1 * 2.1 * 60); math.Abs(o.Kept-want) > 1e-6 {
			t.Errorf("every %v s: %v kept, want %v", dt, o.Kept, want)
		}
	}
	// The adiabatic temperature of copper (IEC 60949), from 30 °C: 20 A for 1 s in 0.5 mm² ends at 38.4419228 °C.
	wire := assess.Known(trace.Load{Name: "thin", Kind: "wire", WireDiameterMM: math.Sqrt(0.5 * 4 / math.Pi)})
	s := assess.Through(wire, 0.1)
	s.Add(steadyTrace(20, 1, 0.01), 0)
	if o := s.Done(); o.KeptC == nil || math.Abs(*o.KeptC-38.44192279266116) > 1e-6 || o.Survived != "yes" {
		t.Errorf("%+v", o)
	}
}

func TestWhatIsNotKnownOfACurrentMakesABound(t *testing.T) {
	l := assess.Known(trace.Load{Name: "x", WithstandA2s: 100})
	for name, change := range map[string]func([]trace.Sample){
		"a gap":            func(s []trace.Sample) { s[50].Flags = trace.Gap },
		"beyond the range": func(s []trace.Sample) { s[50].Flags = trace.Over },
		"no number":        func(s []trace.Sample) { s[50].Value = math.NaN() },
		"endless":          func(s []trace.Sample) { s[50].Value = math.Inf(1) },
	} {
		samples := steadyTrace(2, 10, 0.1)
		change(samples)
		s := assess.Through(l, 1)
		s.Add(samples, 0)
		if o := s.Done(); o.Survived != "not_determined" || !strings.Contains(o.Say, "at least") || !(o.Kept > 0.38 && o.Kept < 0.41) {
			t.Errorf("%s: %+v", name, o)
		}
	}
	s := assess.Through(l, 1)
	s.Add(steadyTrace(4, 10, 0.1), 0)
	if o := s.Done(); o.Survived != "not_determined" || !strings.Contains(o.Say, "its time constant would tell") || o.UsedUpS == nil || math.Abs(*o.UsedUpS-6.25) > 1e-9 {
		t.Errorf("all heat kept is a bound: %+v", o)
	}
}

// However the samples are cut into batches, the outcome is the same; with cooling it is never warmer than with
// all heat kept.
func TestAWalkDoesNotDependOnItsBatches(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var samples []trace.Sample
		at := int64(0)
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			at += rapid.Int64Range(0, 1e9).Draw(t, "dt")
			s := trace.Sample{AtNS: at, Value: rapid.Float64Range(-10, 10).Draw(t, "i")}
			if rapid.IntRange(0, 9).Draw(t, "flag") == 0 {
				s.Flags = trace.Gap
			}
			samples = append(samples, s)
		}
		l := assess.Known(trace.Load{Name: "x", ContinuousA: 1, TimeConstantS: 5})
		whole := assess.Through(l, 1)
		whole.Add(samples, 0)
		parts := assess.Through(l, 1)
		for len(samples) > 0 {
			n := rapid.IntRange(1, len(samples)).Draw(t, "cut")
			parts.Add(samples[:n], 0)
			samples = samples[n:]
		}
		a, b := whole.Done(), parts.Done()
		if a.Say != b.Say || a.Kept != b.Kept || *a.Cooled != *b.Cooled || len(a.Trail) != len(b.Trail) {
			t.Fatalf("%+v, %+v", a, b)
		}
		if *a.Cooled > a.Kept+1e-12 {
			t.Fatalf("cooling makes it warmer: %v, %v", *a.Cooled, a.Kept)
		}
	})
}

func TestWhatStandsInTheBandThatIsNeverNoticed(t *testing.T) {
	ramp := assess.Run{ID: 7, Procedure: trace.Ramp, Behaviour: trace.Tripped, State: trace.RunComplete, Figures: trace.Figures{figure("trip_current_a", 2.1, 0.05, trace.Exact)}}
	loads := []*assess.Load{
		assess.Known(trace.Load{Name: "Loco", Kind: "motor", RunningA: 0.3, StallA: 1.2, ContinuousA: 0.6, WithstandA2s: 20}),
		assess.Known(trace.Load{Name: "Crane", Kind: "motor", StallA: 5, ContinuousA: 1}),
		assess.Known(trace.Load{Name: "sturdy", Kind: "motor", StallA: 2, ContinuousA: 2.5}),
	}
	bands := assess.Unnoticed("Tin", 12, assess.Plate{RatedA: 1.4}, loads, []assess.Run{ramp})
	if len(bands) != 1 || bands[0].ToA != 2.1 || bands[0].FromA != 1.4 {
		t.Fatalf("%+v", bands)
	}
	for _, want := range []string{"Tin feeds up to 2.1 A for ever: it trips at 2.1 A (run 7)", "Loco stalled draws 1.2 A, 4 times its running current, and is never noticed; it stands that for", "sturdy stalled draws 2 A, and is never noticed; it stands that for ever",
		"a fault in Crane may draw between 1 A, which it stands for ever, and 2.1 A", "a partial short of 5.714 Ω or more is never noticed, and turns up to 25.2 W into heat"} {
		if !has(bands[0].Say, want) {
			t.Errorf("it does not say %q in %q", want, bands[0].Say)
		}
	}
	limited := assess.Run{ID: 8, Procedure: trace.Short, Behaviour: trace.LimitedCurrent, State: trace.RunComplete, Figures: trace.Figures{figure("sustained_current_a", 0.58, 0.01, trace.Exact)}}
	if b := assess.Unnoticed("Fern", 9, assess.Plate{RatedA: 0.5}, nil, []assess.Run{limited}); len(b) != 1 || !has(b[0].Say, "it limits to 0.58 A (run 8)") {
		t.Errorf("%+v", b)
	}
	never := ramp
	never.Figures = trace.Figures{figure("trip_current_a", 3, 0.1, trace.AtLeast)}
	if b := assess.Unnoticed("Moss", 12, assess.Plate{}, nil, []assess.Run{never}); len(b) != 1 || b[0].Bound != trace.AtLeast || !has(b[0].Say, "feeds up to at least 2.9 A for ever: it did not trip up to 2.9 A (run 7)") {
		t.Errorf("%+v", b)
	}
	latching := assess.Run{ID: 9, Procedure: trace.Short, Behaviour: trace.Latching, State: trace.RunComplete, Figures: trace.Figures{figure("sustained_current_a", 5, 0.01, trace.Exact)}}
	if b := assess.Unnoticed("Slate", 12, assess.Plate{}, nil, []assess.Run{latching}); len(b) != 0 {
		t.Errorf("what cuts a short off feeds it for ever: %+v", b)
	}
	// With a source resistance the most heat is into the same resistance: V²/4R.
	soft := ramp
	soft.Figures = append(trace.Figures{figure("open_volts", 12, 0.1, trace.Exact), figure("source_ohm", 4, 0.1, trace.Exact)}, ramp.Figures...)
	if b := assess.Unnoticed("Moss", 12, assess.Plate{}, nil, []assess.Run{soft}); math.Abs(b[0].FaultW-9) > 1e-9 || math.Abs(b[0].FaultOhm-(12/2.1-4)) > 1e-9 {
		t.Errorf("%+v", b)
	}
}

// Moss of the shelf: rated 0.3 A, about 2.7 A into a short for ever. By the sheets, IEC 60127-2 (CHECKS of the
// gates stand with package heat).
func TestWhichProtectorWouldMakeAUnitPass(t *testing.T) {
	short := assess.Run{ID: 3, Procedure: trace.Short, Behaviour: trace.Sustained, State: trace.RunComplete, Figures: trace.Figures{figure("sustained_current_a", 5, 0.02, trace.Exact)}}
	rs := assess.Remedies(assess.Plate{RatedA: 0.3}, []assess.Run{short}, 1, 5)
	if len(rs) != 3 {
		t.Fatalf("%+v", rs)
	}
	quick, slow, ptc := rs[0], rs[1], rs[2]
	// 0.4 A: 4.98 A is 12 times: at most 20 ms (sheet 2), 300 ms (sheet 3).
	if quick.RatedA != 0.4 || quick.SureS != 0.02 || quick.Verdict != assess.Pass || !strings.Contains(quick.Say, "at the 4.98 A of run 3 it opens within 0.02 s") {
		t.Errorf("%+v", quick)
	}
	if slow.RatedA != 0.4 || slow.SureS != 0.3 || slow.Verdict != assess.Pass {
		t.Errorf("%+v", slow)
	}
	// The one that holds 0.9 A trips by 5.9 s at 4.5 A: too late for 5 s.
	if ptc.RatedA != 0.9 || ptc.SureS != 5.9 || ptc.Verdict != assess.NotDetermined {
		t.Errorf("%+v", ptc)
	}
	load := assess.Known(trace.Load{Name: "Loco", WithstandA2s: 1})
	if rs := assess.Remedies(assess.Plate{RatedA: 0.3, Load: load}, []assess.Run{short}, 1, 5); rs[1].Verdict != assess.NotDetermined || !strings.Contains(rs[1].Say, "Loco stands that for only 0.04032 s") {
		t.Errorf("%+v", rs[1])
	}
	// A fault of less than the fuse carries is never opened.
	short.Figures = trace.Figures{figure("sustained_current_a", 0.35, 0.01, trace.Exact)}
	if rs := assess.Remedies(assess.Plate{RatedA: 0.3}, []assess.Run{short}, 1, 5); rs[0].Verdict != assess.Fail || !strings.Contains(rs[0].Say, "earliest") && !strings.Contains(rs[0].Say, "never opens") {
		t.Errorf("%+v", rs[0])
	}
	if rs := assess.Remedies(assess.Plate{}, []assess.Run{short}, 1, 5); rs != nil {
		t.Errorf("without a rating: %+v", rs)
	}
}
