package words_test

import (
	"testing"

	"letthrough/capture/trace"
	"letthrough/capture/words"
)

func TestHowAFigureChanged(t *testing.T) {
	fig := func(key string, v, u float64, b trace.Bound) trace.Figure {
		return trace.Figure{Key: key, Value: v, U: u, Bound: b}
	}
	for _, c := range []struct {
		was, now trace.Figure
		want     string
	}{
		{fig("let_through_a2s", 30.4, 0.31, trace.Exact), fig("let_through_a2s", 37.5, 0.35, trace.Exact), "7.10 A²s more"},
		{fig("heating_current_a", 1.44, 0.02, trace.AtLeast), fig("heating_current_a", 1.30, 0.02, trace.AtLeast), "0.140 A less"},
		{fig("time_to_cutoff_s", 1.85, 0.01, trace.Exact), fig("time_to_cutoff_s", 1.93, 0.01, trace.Exact), "0.080 s longer"},
		{fig("hold_s", 30, 0.3, trace.Exact), fig("hold_s", 20, 0.3, trace.Exact), "10.00 s shorter"},
		{fig("retry_count", 7, 0, trace.Exact), fig("retry_count", 4, 0, trace.Exact), "3 times less"},
		{fig("peak_current_a", 4.2, 0.04, trace.AtLeast), fig("peak_current_a", 4.2, 0.04, trace.Exact), "now exact"},
		{fig("peak_current_a", 4.2, 0.04, trace.Exact), fig("peak_current_a", 4.2, 0.04, trace.AtLeast), "now a bound"},
		{fig("form_factor", 0, 0, trace.NotResolved), fig("form_factor", 1.11, 0.01, trace.Exact), "now a number"},
		{fig("form_factor", 1.11, 0.01, trace.Exact), fig("form_factor", 0, 0, trace.NotResolved), "no longer a number"},
		{fig("peak_current_a", 4.2, 0.04, trace.Exact), fig("peak_current_a", 4.2, 0.08, trace.Exact), "known differently well"},
	} {
		if got := words.Change(c.was, c.now); got != c.want {
			t.Errorf("from %v to %v: %q, want %q", c.was, c.now, got, c.want)
		}
	}
	if got := words.Sentence(fig("time_to_cutoff_s", 0.4, 0.02, trace.AtMost), trace.Settings{}).Text(); got != "at most 0.42 s" {
		t.Errorf("a bound as one says it: %q", got)
	}
}
