package assess_test

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
)

// one judges a single run by a single criterion.
func one(t testing.TB, text string, p assess.Plate, r assess.Run) assess.Finding {
	t.Helper()
	set, err := assess.Parse("criterion x\nsay: x\n" + text)
	if err != nil {
		t.Fatal(err)
	}
	a := assess.Assess(set, p, "", []assess.Run{r})
	if len(a.Findings) == 0 {
		return assess.Finding{}
	}
	return a.Findings[0]
}

func shortRun(figures ...trace.Figure) assess.Run {
	return assess.Run{ID: 1, Procedure: trace.Short, Behaviour: trace.Latching, State: trace.RunComplete, Figures: figures}
}

// Every bound against every kind of limit, on either side of it and across it. The figure is v, with an
// expanded uncertainty of 0.1.
func TestWhatABoundDecides(t *testing.T) {
	const (
		most    = "at most 1 s"
		mostC   = "at most 1 s\ncaution: at most 5 s"
		least   = "at least 1 s"
		leastC  = "at least 1 s\ncaution: at least 0.5 s"
		from    = "1 to 2 s"
		fromC   = "1 to 2 s\ncaution: 0.5 to 4 s"
		pass    = assess.Pass
		caution = assess.Caution
		fail    = assess.Fail
		open    = assess.NotDetermined
		nothing = assess.NotApplicable
	)
	for _, tc := range []struct {
		limit string
		bound trace.Bound
		v     float64
		want  assess.Verdict
	}{
		{most, trace.Exact, 0.5, pass}, {most, trace.Exact, 0.9, pass}, {most, trace.Exact, 0.95, open}, {most, trace.Exact, 1.05, open},
		{most, trace.Exact, 1.2, fail},
		{most, trace.AtMost, 0.5, pass}, {most, trace.AtMost, 0.95, open}, {most, trace.AtMost, 3, open},
		{most, trace.AtLeast, 0.5, open}, {most, trace.AtLeast, 1.05, open}, {most, trace.AtLeast, 1.2, fail}, {most, trace.AtLeast, 30, fail},
		{most, trace.NotResolved, 0, open}, {most, trace.NotApplicable, 0, nothing},

		{mostC, trace.Exact, 0.5, pass}, {mostC, trace.Exact, 0.95, caution}, {mostC, trace.Exact, 3, caution}, {mostC, trace.Exact, 4.95, open},
		{mostC, trace.Exact, 5.05, open}, {mostC, trace.Exact, 6, fail},
		{mostC, trace.AtMost, 0.5, pass}, {mostC, trace.AtMost, 3, open}, {mostC, trace.AtMost, 6, open},
		{mostC, trace.AtLeast, 0.5, open}, {mostC, trace.AtLeast, 3, open}, {mostC, trace.AtLeast, 6, fail},
		{mostC, trace.NotResolved, 0, open}, {mostC, trace.NotApplicable, 0, nothing},

		{least, trace.Exact, 1.2, pass}, {least, trace.Exact, 1.05, open}, {least, trace.Exact, 0.5, fail},
		{least, trace.AtMost, 0.5, fail}, {least, trace.AtMost, 0.95, open}, {least, trace.AtMost, 3, open},
		{least, trace.AtLeast, 0.5, open}, {least, trace.AtLeast, 1.05, open}, {least, trace.AtLeast, 1.2, pass},
		{least, trace.NotResolved, 0, open}, {least, trace.NotApplicable, 0, nothing},

		{leastC, trace.Exact, 1.2, pass}, {leastC, trace.Exact, 1.05, caution}, {leastC, trace.Exact, 0.8, caution}, {leastC, trace.Exact, 0.55, open},
		{leastC, trace.Exact, 0.3, fail},
		{leastC, trace.AtMost, 0.3, fail}, {leastC, trace.AtMost, 0.8, open}, {leastC, trace.AtMost, 2, open},
		{leastC, trace.AtLeast, 0.3, open}, {leastC, trace.AtLeast, 0.8, open}, {leastC, trace.AtLeast, 1.2, pass},
		{leastC, trace.NotResolved, 0, open}, {leastC, trace.NotApplicable, 0, nothing},

		{from, trace.Exact, 1.5, pass}, {from, trace.Exact, 1.05, open}, {from, trace.Exact, 2.05, open}, {from, trace.Exact, 0.5, fail}, {from, trace.Exact, 3, fail},
		{from, trace.AtMost, 0.5, fail}, {from, trace.AtMost, 1.5, open}, {from, trace.AtMost, 3, open},
		{from, trace.AtLeast, 0.5, open}, {from, trace.AtLeast, 1.5, open}, {from, trace.AtLeast, 3, fail},
		{from, trace.NotResolved, 0, open}, {from, trace.NotApplicable, 0, nothing},

		{fromC, trace.Exact, 1.5, pass}, {fromC, trace.Exact, 2.05, caution}, {fromC, trace.Exact, 3, caution}, {fromC, trace.Exact, 0.8, caution},
		{fromC, trace.Exact, 4.05, open}, {fromC, trace.Exact, 5, fail}, {fromC, trace.Exact, 0.3, fail},
		{fromC, trace.AtMost, 0.3, fail}, {fromC, trace.AtMost, 1.5, open}, {fromC, trace.AtMost, 5, open},
		{fromC, trace.AtLeast, 0.3, open}, {fromC, trace.AtLeast, 3, open}, {fromC, trace.AtLeast, 5, fail},
		{fromC, trace.NotResolved, 0, open}, {fromC, trace.NotApplicable, 0, nothing},
	} {
		t.Run(fmt.Sprintf("%s %s %v", tc.limit, tc.bound, tc.v), func(t *testing.T) {
			f := one(t, "judges: time_to_cutoff_s\npass: "+tc.limit+"\n", assess.Plate{}, shortRun(figure("time_to_cutoff_s", tc.v, 0.1, tc.bound)))
			if f.Verdict != tc.want {
				t.Errorf("%q because %q, want %q", f.Verdict, f.Why, tc.want)
			}
			if f.Verdict == open && f.Next == "" {
				t.Error("does not say what to measure next")
			}
			if f.Verdict != nothing && f.Why == "" {
				t.Error("gives no reason")
			}
		})
	}
}

// A decided verdict holds wherever in its range the true value lies; an undecided one is only given where
// two values of the range come to different verdicts.
func TestADecidedVerdictHoldsForEveryValueThatTheFigureAllows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bound := rapid.SampledFrom([]trace.Bound{trace.Exact, trace.AtMost, trace.AtLeast}).Draw(t, "bound")
		v, u := rapid.Float64Range(0, 10).Draw(t, "v"), rapid.Float64Range(0, 1).Draw(t, "u")
		limit := rapid.Float64Range(0.1, 5).Draw(t, "limit")
		wide := limit + rapid.Float64Range(0.1, 5).Draw(t, "wide")
		set, err := assess.Parse(fmt.Sprintf("criterion x\nsay: x\njudges: time_to_cutoff_s\npass: at most %v s\ncaution: at most %v s\n", limit, wide))
		if err != nil {
			t.Fatal(err)
		}
		got := assess.Assess(set, assess.Plate{}, "", []assess.Run{shortRun(figure("time_to_cutoff_s", v, u, bound))}).Verdict
		low, high := v-u, v+u
		if bound == trace.AtMost {
			low = -1
		} else if bound == trace.AtLeast {
			high = 1e6
		}
		at := func(x float64) assess.Verdict {
			switch {
			case x <= limit:
				return assess.Pass
			case x <= wide:
				return assess.Caution
			}
			return assess.Fail
		}
		a, b := at(low), at(high)
		switch {
		case a == b && got != a:
			t.Fatalf("every value comes to %s, it is called %s", a, got)
		case a != b && (got == assess.Pass || got == assess.Fail):
			t.Fatalf("values come to %s and %s, it is called %s", a, b, got)
		case got == assess.Caution && b == assess.Fail:
			t.Fatal("a caution although it may be a fail")
		}
	})
}

func TestWhatToMeasureNext(t *testing.T) {
	for name, tc := range map[string]struct {
		text   string
		f      trace.Figure
		plate  assess.Plate
		why    string
		next   string
		plain2 string
	}{
		"slow meter":     {text: "judges: time_to_cutoff_s\npass: at most 1 s\n", f: figure("time_to_cutoff_s", 1.2, 0.1, trace.AtMost), next: "at least 20 readings a second"},
		"a close limit":  {text: "judges: time_to_cutoff_s\npass: at most 0.05 s\n", f: figure("time_to_cutoff_s", 0.2, 0, trace.AtMost), next: "at least 200 readings a second"},
		"short hold":     {text: "judges: time_to_cutoff_s\npass: at most 1 s\ncaution: at most 5 s\n", f: figure("time_to_cutoff_s", 3, 0, trace.AtLeast), next: "hold for longer than 5 s, as far as the rig stands it"},
		"beyond range":   {text: "judges: peak_current_a\npass: at most 9 A\n", f: figure("peak_current_a", 5, 0, trace.AtLeast), next: "larger range"},
		"on the limit":   {text: "judges: peak_current_a\npass: at most 5 A\n", f: figure("peak_current_a", 5, 0.1, trace.Exact), why: "the uncertainty reaches across", next: "smaller uncertainty"},
		"no load":        {text: "judges: let_through_a2s\npass: at most 1 x withstand\n", f: figure("let_through_a2s", 5, 0.1, trace.Exact), why: "no load is named"},
		"no rating":      {text: "judges: peak_current_a\npass: at most 5 x rated\n", f: figure("peak_current_a", 5, 0.1, trace.Exact), why: "the rated current is not known"},
		"load half told": {text: "judges: peak_current_a\npass: at most 5 x stall\n", f: figure("peak_current_a", 5, 0.1, trace.Exact), plate: assess.Plate{Load: &assess.Load{Load: trace.Load{Name: "Loco"}}}, why: "the stall current of Loco is not known"},
	} {
		t.Run(name, func(t *testing.T) {
			f := one(t, tc.text, tc.plate, shortRun(tc.f))
			if f.Verdict != assess.NotDetermined || !strings.Contains(f.Why, tc.why) || !strings.Contains(f.Next, tc.next) {
				t.Errorf("%s: %q, next %q; want %q and %q", f.Verdict, f.Why, f.Next, tc.why, tc.next)
			}
		})
	}
}

func TestMultiplesCountFromPlateAndLoad(t *testing.T) {
	plate := assess.Plate{RatedA: 2, Load: &assess.Load{Load: trace.Load{Name: "Loco", RunningA: 0.3, StallA: 1.5, ContinuousA: 0.6, WithstandA2s: 8}}}
	for limit, edge := range map[string]float64{"2 x rated": 4, "2 x running": 0.6, "2 x stall": 3, "2 x continuous": 1.2, "2 A": 2} {
		for _, side := range []float64{-0.01, 0.01} {
			want := assess.Pass
			if side > 0 {
				want = assess.Fail
			}
			f := one(t, "judges: peak_current_a\npass: at most "+limit+"\n", plate, shortRun(figure("peak_current_a", edge+side, 0.001, trace.Exact)))
			if f.Verdict != want {
				t.Errorf("%v A against %s: %s, want %s", edge+side, limit, f.Verdict, want)
			}
		}
	}
}
