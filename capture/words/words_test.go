package words_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/capture/words"

	"pgregory.net/rapid"
)

// JCGM 100:2008, 7.2.6: uncertainties to two significant digits at most, the estimate to the same
// place; its example rounds y = 10.05762 ohm with u = 27 mohm to 10.058 ohm.
func TestNumber(t *testing.T) {
	for _, c := range []struct {
		name       string
		v, u       float64
		value, unc string
	}{
		{"example of JCGM 100 7.2.6", 10.05762, 0.027, "10.058", "0.027"},
		{"trailing zeros stay", 1.877, 0.0016, "1.8770", "0.0016"},
		{"uncertainty rounds up into the next decade", 5.4321, 0.0996, "5.43", "0.10"},
		{"large uncertainty rounds to whole tens", 1234.5, 450, "1230", "450"},
		{"no uncertainty, four digits", 2.5, 0, "2.5", ""},
		{"rounds to zero without a sign", -0.0001, 0.02, "0.000", "0.020"},
	} {
		t.Run(c.name, func(t *testing.T) {
			value, unc := words.Number(c.v, c.u)
			if value != c.value || unc != c.unc {
				t.Errorf("Number(%v, %v) = %q ± %q, want %q ± %q", c.v, c.u, value, unc, c.value, c.unc)
			}
		})
	}
}

func TestText(t *testing.T) {
	for _, c := range []struct {
		name string
		f    trace.Figure
		want string
	}{
		{"exact with uncertainty", trace.Figure{Key: "time_to_cutoff_s", Value: 1.877, U: 0.0016, Bound: trace.Exact}, "cut off after 1.8770 ± 0.0016 s"},
		{"at most is rounded up", trace.Figure{Key: "time_to_cutoff_s", Value: 0.4112, U: 0.005, Bound: trace.AtMost}, "cut off in at most 0.417 s"},
		{"at least is rounded down", trace.Figure{Key: "peak_current_a", Value: 4.2099, U: 0.01, Bound: trace.AtLeast}, "peaked at 4.19 A at least"},
		{"never cut off", trace.Figure{Key: "time_to_cutoff_s", Value: 30.0001, U: 0.001, Bound: trace.AtLeast}, "no cut-off within 29.9 s"},
		{"count", trace.Figure{Key: "retry_count", Value: 11, Bound: trace.Exact}, "came back 11 times"},
		{"one time", trace.Figure{Key: "retry_count", Value: 1, Bound: trace.AtLeast}, "came back at least 1 time"},
		{"share as per cent", trace.Figure{Key: "retry_duty", Value: 0.0962, U: 0.0012, Bound: trace.Exact}, "on for 9.62 ± 0.12 % of the time"},
		{"not applicable says nothing", trace.Figure{Key: "time_to_limit_s", Bound: trace.NotApplicable}, ""},
		{"not resolved says why", trace.Figure{Key: "end_current_a", Bound: trace.NotResolved, Why: "fewer than three readings before it"}, "not resolved: fewer than three readings before it"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := words.Text(c.f); got != c.want {
				t.Errorf("Text = %q, want %q", got, c.want)
			}
		})
	}
}

func TestEveryFigureHasItsSentence(t *testing.T) {
	for _, d := range trace.Definitions {
		for _, b := range []trace.Bound{trace.Exact, trace.AtMost, trace.AtLeast} {
			text := words.Text(trace.Figure{Key: d.Key, Value: 1.5, U: 0.01, Bound: b})
			if strings.Contains(text, d.Key) || strings.Contains(text, "%!") || text == "" {
				t.Errorf("%s %s: sentence %q", d.Key, b, text)
			}
		}
		if l := words.Sentence(trace.Figure{Key: d.Key, Value: 1.5, Bound: trace.Exact}, trace.Settings{}); l.Say == d.Key || l.Value == "" {
			t.Errorf("%s: line %+v", d.Key, l)
		}
	}
}

// A bound as printed never claims more than the number it stands for.
func TestBoundsAreRoundedToTheSafeSide(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(1e-5, 1e5).Draw(t, "v")
		for _, b := range []trace.Bound{trace.AtMost, trace.AtLeast} {
			l := words.Sentence(trace.Figure{Key: "let_through_a2s", Value: v, Bound: b}, trace.Settings{})
			got, err := strconv.ParseFloat(l.Value, 64)
			if err != nil {
				t.Fatalf("%q is no number: %v", l.Value, err)
			}
			slack := 1e-5 * v
			if b == trace.AtMost && got < v-slack || b == trace.AtLeast && got > v+slack {
				t.Fatalf("%s %v printed as %v", b, v, got)
			}
			if math.Abs(got-v) > 0.011*v+1e-9 {
				t.Fatalf("%s %v printed as %v: too coarse", b, v, got)
			}
		}
	})
}

func TestDuration(t *testing.T) {
	for s, want := range map[float64]string{0: "0.00 s", 1.5: "1.50 s", 59.994: "59.99 s", 59.996: "1 min 00 s", 3601: "1 h 00 min", -2: "−2.00 s"} {
		if got := words.Duration(s); got != want {
			t.Errorf("Duration(%v) = %q, want %q", s, got, want)
		}
	}
}

func TestTimesRatedKeepsTwoDigits(t *testing.T) {
	for v, want := range map[float64]string{4.2: "3.0 × rated", 4.5: "3.2 × rated", 19.6: "14 × rated", 1.3: "0.93 × rated"} {
		if got := words.Sentence(trace.Figure{Key: "peak_current_a", Value: v, Bound: trace.Exact}, trace.Settings{RatedCurrentA: 1.4}).More; got != want {
			t.Errorf("%v A of 1.4 A: %q, want %q", v, got, want)
		}
	}
}

func TestRate(t *testing.T) {
	for hz, want := range map[float64]string{1000: "1000 readings a second", 2.5: "2.5 readings a second", 0: "no readings", 49.96: "50 readings a second"} {
		if got := words.Rate(hz); got != want {
			t.Errorf("Rate(%v) = %q, want %q", hz, got, want)
		}
	}
}

// While the hold goes on nothing is said that only its end can tell.
func TestSoFarClaimsNoEnd(t *testing.T) {
	for _, b := range []trace.Behaviour{trace.Latching, trace.Sustained, trace.LimitedCurrent, trace.FoldBack, trace.Carried, trace.NoTrip, trace.None} {
		so, end := words.BehaviourSoFar(b), words.Behaviour(b)
		if so == end || so == "" || strings.Contains(so, "stays off") || strings.Contains(so, "all along") {
			t.Errorf("%s so far: %q", b, so)
		}
	}
	if got := words.BehaviourSoFar(trace.AutoRetry); got != words.Behaviour(trace.AutoRetry) {
		t.Errorf("a retry seen is a retry: %q", got)
	}
}
