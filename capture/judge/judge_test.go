package judge_test

import (
	"context"
	"errors"
	"reflect"
	"strings"
	"testing"

	"letthrough/capture/judge"
	"letthrough/capture/trace"
)

func report(t *testing.T, m judge.Meter, test judge.Test) judge.Report {
	t.Helper()
	r, err := judge.Run(t.Context(), m, test)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func told(t *testing.T, r judge.Report, key string) judge.Told {
	t.Helper()
	for _, f := range r.Figures {
		if f.Key == key {
			if f.Exact+f.Bound+f.None != f.Of || f.Within > f.Exact+f.Bound {
				t.Errorf("%+v does not add up", f)
			}
			return f
		}
	}
	t.Fatalf("no %s in %+v", key, r.Figures)
	return judge.Told{}
}

func seen(r judge.Report, unit string) judge.Seen {
	for _, s := range r.Behaviours {
		if s.Unit == unit {
			return s
		}
	}
	return judge.Seen{}
}

func TestFastBoardTellsWhatASlowMeterCannot(t *testing.T) {
	none := 0.0
	fast := report(t, judge.Meter{RateHz: 1000, AveragingS: &none, ResolutionA: 0.0005}, judge.Test{Trials: 2, Seed: 1})
	slow := report(t, judge.Meter{RateHz: 2.5, ResolutionA: 0.01}, judge.Test{Trials: 2, Seed: 1})
	if fast.Tests != 14 || len(fast.Behaviours) != 7 {
		t.Fatalf("%d tests of %d units", fast.Tests, len(fast.Behaviours))
	}
	for _, unit := range []string{"Slate", "Amber", "Fern", "Clay"} {
		if s := seen(fast, unit); s.Right != 2 || s.Words() != "told every time" {
			t.Errorf("the board: %+v, %s", s, s.Words())
		}
	}
	// A meter of 2.5 readings a second cannot tell a limit from fast pulses, and says so.
	for _, unit := range []string{"Amber", "Fern"} {
		if s := seen(slow, unit); s.Unsure != 2 || s.Words() != "left open every time" {
			t.Errorf("the slow meter: %+v", s)
		}
	}
	f, s := told(t, fast, "time_to_cutoff_s"), told(t, slow, "time_to_cutoff_s")
	if f.Exact < 6 || s.Exact >= f.Exact || s.Bound+s.None == 0 {
		t.Errorf("time to cut-off: the board told %+v, the slow meter %+v", f, s)
	}
	// 35 ms against a reading every 0.4 s: the bound is many times the truth.
	if s.Bound > 0 && s.Looser < 1 {
		t.Errorf("bounds of %g times the truth", s.Looser)
	}
	if p := told(t, slow, "peak_current_a"); p.Exact != 0 || p.Bound == 0 {
		t.Errorf("a slow meter's peak: %+v, want bounds only", p)
	}
	if f.Percent <= 0 || f.Typical <= 0 || !strings.HasPrefix(f.Row().Typical, "± ") || f.Row().Exact != "8 of 8" {
		t.Errorf("%+v, %+v", f, f.Row())
	}
}

func TestRangeAndAccuracyAreTheMeters(t *testing.T) {
	small := report(t, judge.Meter{RateHz: 500, ResolutionA: 0.001, FullScaleA: 2}, judge.Test{Trials: 1})
	if p := told(t, small, "peak_current_a"); p.Bound < 4 {
		t.Errorf("a range of 2 A: %+v, want the peaks beyond it as bounds", p)
	}
	coarse := judge.Meter{RateHz: 500, ResolutionA: 0.001, Accuracy: trace.Accuracy{Percent: 5}}
	a := told(t, report(t, coarse, judge.Test{Trials: 3}), "sustained_current_a")
	coarse.Accuracy = trace.Accuracy{}
	b := told(t, report(t, coarse, judge.Test{Trials: 3}), "sustained_current_a")
	if a.Percent < 4 || b.Percent >= a.Percent || a.Within < a.Exact-1 {
		t.Errorf("5 %% accuracy gives ± %.2g %% (%d of %d hold the truth), none gives ± %.2g %%", a.Percent, a.Within, a.Exact, b.Percent)
	}
}

func TestSameSeedSameReport(t *testing.T) {
	m, test := judge.Meter{RateHz: 200}, judge.Test{Procedure: trace.Overload, Trials: 1, HoldS: 5, Seed: 7}
	a, b := report(t, m, test), report(t, m, test)
	if len(a.Figures) == 0 || !reflect.DeepEqual(a, b) {
		t.Errorf("%+v\n%+v", a, b)
	}
}

func TestEveryProcedureIsPlayed(t *testing.T) {
	for _, p := range trace.Procedures {
		if r := report(t, judge.Meter{RateHz: 50}, judge.Test{Procedure: p, Trials: 1, HoldS: 4}); len(r.Figures) < 3 {
			t.Errorf("%s: %+v", p, r)
		}
	}
}

func TestOutOfRangeNamesWhatIsAllowed(t *testing.T) {
	for want, c := range map[string]struct {
		m judge.Meter
		t judge.Test
	}{
		"at most 50000":    {judge.Meter{}, judge.Test{Trials: 1}},
		"1 to 100":         {judge.Meter{RateHz: 10}, judge.Test{}},
		"short, ramp":      {judge.Meter{RateHz: 10}, judge.Test{Trials: 1, Procedure: "long"}},
		"1 to 60":          {judge.Meter{RateHz: 10}, judge.Test{Trials: 1, HoldS: 100}},
		"allowed is 0 to ": {judge.Meter{RateHz: 10, ResolutionA: -1}, judge.Test{Trials: 1}},
	} {
		if _, err := judge.Run(t.Context(), c.m, c.t); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want it to say %q", err, want)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := judge.Run(ctx, judge.Meter{RateHz: 10}, judge.Test{Trials: 1}); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want it to end with its context", err)
	}
}
