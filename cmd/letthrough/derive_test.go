package main

import (
	"iter"
	"math"
	"strings"
	"testing"

	"letthrough/capture/trace"
)

// A run may hold the currents of two instruments: the figures are of the one they were derived from live, of the
// first where nothing is said, never of both mixed.
func TestFiguresAreOfOneInstrument(t *testing.T) {
	recorded := func(name string, level float64) iter.Seq2[trace.Batch, error] {
		var s []trace.Sample
		for ms := range int64(4000) {
			v := 0.001 * float64(ms%3)
			if ms >= 1000 && ms < 2000 {
				v += level
			}
			s = append(s, trace.Sample{AtNS: ms * 1e6, Value: v})
		}
		return func(yield func(trace.Batch, error) bool) {
			yield(trace.Batch{Channel: trace.Channel{Instrument: name, Quantity: trace.Current}, Samples: s}, nil)
		}
	}
	for from, want := range map[string]float64{"": 5, "shunt": 5, "meter": 3} {
		s := trace.Settings{Procedure: trace.Short, RatedCurrentA: 1, CurrentFrom: from}
		d, err := derive(s, nil, trace.Merge(recorded("shunt", 5), recorded("meter", 3)))
		if err != nil {
			t.Fatal(err)
		}
		if f, _ := d.Figures.Get("sustained_current_a"); math.Abs(f.Value-want) > 0.01 {
			t.Errorf("from %q: %+v, want %g A", from, f, want)
		}
	}
	s := trace.Settings{Procedure: trace.Short, CurrentFrom: "board"}
	if _, err := derive(s, nil, recorded("shunt", 5)); err == nil || !strings.Contains(err.Error(), "nothing was recorded of the current of board, but of that of shunt") {
		t.Errorf("an instrument that is not there: %v", err)
	}
}
