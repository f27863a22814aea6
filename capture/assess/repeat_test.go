package assess_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
)

// series makes short runs with these times to the cut-off, one every 60 s.
func series(u float64, values ...float64) (runs []assess.Run) {
	for i, v := range values {
		runs = append(runs, assess.Run{ID: int64(i + 1), Procedure: trace.Short, Behaviour: trace.Latching, State: trace.RunComplete, StartedS: 60 * float64(i),
			Figures: trace.Figures{figure("time_to_cutoff_s", v, u, trace.Exact)}})
	}
	return runs
}

func repeat(t testing.TB, runs []assess.Run) assess.Repeat {
	t.Helper()
	all := assess.Repeats(runs)
	if len(all) != 1 {
		t.Fatalf("%d figures repeat, want one: %+v", len(all), all)
	}
	return all[0]
}

// Five voltages of JCGM 100:2008 H.2 as times; t of NIST/SEMATECH e-Handbook, 2.776 for 4 degrees of freedom.
func TestRepeatsAreSummedUp(t *testing.T) {
	r := repeat(t, series(0.002, 5.007, 4.994, 5.005, 4.990, 4.999))
	if r.N != 5 || math.Abs(r.Mean-4.999) > 1e-12 || math.Abs(r.SD-0.0032093613071761794*math.Sqrt(5)) > 1e-12 || r.Low != 4.990 || r.High != 5.007 ||
		math.Abs(r.Half-2.776445*0.0032093613071761794) > 1e-8 || r.Within != 0.001 || !r.Varies || r.Outlier != 0 || r.Drift != nil {
		t.Errorf("%+v", r)
	}
	if !strings.Contains(r.Say[0], "5 runs: mean 4.9990 s (95 % of the time within ± 0.0089), from 4.99 to 5.007, standard deviation 0.007176 s") {
		t.Errorf("%q", r.Say)
	}
	if r := repeat(t, series(0.1, 5.007, 4.994, 5.005, 4.990, 4.999)); r.Varies {
		t.Errorf("the measurement explains it: %+v", r)
	}
}

func TestWhatDoesNotRepeatIsNotSummedUp(t *testing.T) {
	if all := assess.Repeats(series(0.1, 1)); len(all) != 0 {
		t.Errorf("one run: %+v", all)
	}
	runs := series(0.1, 1, 2, 3, 4)
	runs[1].State = trace.RunExcluded
	runs[2].Figures[0].Bound = trace.AtMost
	r := repeat(t, runs)
	if r.N != 2 || r.Mean != 2.5 || r.Bounds != 1 || !strings.Contains(strings.Join(r.Say, "; "), "1 more run could only be bounded and is left out") {
		t.Errorf("%+v", r)
	}
	runs = series(0.1, 1, 2)
	runs[1].Output = "2"
	if all := assess.Repeats(runs); len(all) != 0 {
		t.Errorf("two outputs: %+v", all)
	}
}

func TestOverloadsRepeatAtOneLoad(t *testing.T) {
	var runs []assess.Run
	for i, load := range []float64{3, 3.1, 4, 4.1} {
		runs = append(runs, assess.Run{ID: int64(i + 1), Procedure: trace.Overload, Behaviour: trace.Latching, State: trace.RunComplete,
			Figures: trace.Figures{figure("time_to_trip_s", 10/load, 0.01, trace.Exact), figure("load_current_a", load, 0.01, trace.Exact)}})
	}
	n := 0
	for _, r := range assess.Repeats(runs) {
		if r.Key == "time_to_trip_s" {
			if n++; r.N != 2 {
				t.Errorf("%+v", r)
			}
		}
	}
	if n != 2 {
		t.Errorf("%d groups, want 2", n)
	}
}

func TestAnOutlierIsPointedAtAndAQuietSeriesHasNone(t *testing.T) {
	r := repeat(t, series(0.01, 199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)) // NIST/SEMATECH e-Handbook, 1.3.5.17.1
	if r.Outlier != 8 || !strings.Contains(strings.Join(r.Say, "; "), "run 8 does not belong to the others by Grubbs' test") {
		t.Errorf("%+v", r)
	}
}

func TestADriftWithTheOrderIsSeenAboveTheNoise(t *testing.T) {
	r := repeat(t, series(0.02, 4.10, 3.95, 3.82, 3.66, 3.49))
	if r.Drift == nil || r.Drift.Along != "order" || math.Abs(r.Drift.Total+0.604) > 0.01 || !strings.Contains(strings.Join(r.Say, "; "), "from the first to the last") {
		t.Errorf("%+v, %q", r.Drift, r.Say)
	}
	if r := repeat(t, series(1, 4.10, 3.95, 3.82, 3.66, 3.49)); r.Drift != nil {
		t.Errorf("within the uncertainty: %+v", r.Drift)
	}
}

// A unit that had less time to cool trips sooner.
func TestADriftWithThePauseIsSeen(t *testing.T) {
	runs := series(0.02, 4.0, 3.2, 4.0, 3.6, 3.2, 4.0)
	at := 0.0
	for i, pause := range []float64{0, 60, 600, 190, 60, 600} {
		at += pause
		runs[i].StartedS = at
	}
	r := repeat(t, runs)
	if r.Drift == nil || r.Drift.Along != "pause" || math.Abs(r.Drift.Total-0.8) > 0.05 {
		t.Errorf("%+v", r.Drift)
	}
}

// Where nothing drifts and nothing is out, few series of a hundred are said to.
func TestQuietSeriesRaiseFewAlarms(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	out, drift, vary := 0, 0, 0
	const trials = 2000
	for range trials {
		var x []float64
		for range 6 {
			x = append(x, 5+0.05*rng.NormFloat64())
		}
		r := repeat(t, series(0.1, x...)) // U is twice the spread
		if r.Outlier != 0 {
			out++
		}
		if r.Drift != nil {
			drift++
		}
		if r.Varies {
			vary++
		}
	}
	if out > trials*6/100 || drift > trials*6/100 || vary < trials*2/100 || vary > trials*8/100 {
		t.Errorf("of %d quiet series %d have an outlier, %d a drift, %d vary", trials, out, drift, vary)
	}
}

// The t-interval holds the true mean in 95 of 100 series.
func TestTheIntervalHoldsTheMean(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	held := 0
	const trials = 4000
	for range trials {
		var x []float64
		for range 5 {
			x = append(x, 2+0.1*rng.NormFloat64())
		}
		if r := repeat(t, series(0.01, x...)); math.Abs(r.Mean-2) <= r.Half {
			held++
		}
	}
	if share := float64(held) / trials; share < 0.94 || share > 0.96 {
		t.Errorf("%.3f", share)
	}
}

func TestAWeakenedUnitIsNoticed(t *testing.T) {
	var runs []assess.Run
	for i, ohm := range []float64{1.0, 1.05, 1.4} {
		runs = append(runs, assess.Run{ID: int64(i + 1), Procedure: trace.Short, State: trace.RunComplete, StartedS: float64(i), Figures: trace.Figures{
			figure("source_ohm", ohm, 0.05, trace.Exact), figure("open_volts", 12, 0.05, trace.Exact), figure("ripple_hz", 0, 0, trace.NotApplicable)}})
	}
	got := map[string]bool{}
	for _, w := range assess.BeforeAfter(runs) {
		got[w.Key] = w.Changed
		if w.Key == "source_ohm" && !strings.Contains(w.Say, "source resistance has changed by 0.400 ± 0.071 Ω between run 1 (1.000) and run 3 (1.400 Ω)") {
			t.Errorf("%q", w.Say)
		}
	}
	if want := map[string]bool{"source_ohm": true, "open_volts": false}; fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", got, want)
	}
}
