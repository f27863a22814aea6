package trace_test

import (
	"strings"
	"testing"

	"letthrough/capture/trace"
)

// A lead of which nobody says where it starts starts at 30 °C (IEC 60364-5-54 tables A.54.2 and A.54.6).
func TestLeadThatEndsNoWarmerThanItStartsIsRefused(t *testing.T) {
	for _, c := range []struct {
		start, end float64
		refused    bool
	}{{0, 20, true}, {0, 30, true}, {0, 31, false}, {0, 0, false}, {50, 40, true}, {10, 20, false}, {-20, -30, true}} {
		err := trace.RigPart{Kind: "lead", LengthM: 1, AreaMM2: 1, StartC: c.start, EndC: c.end}.Validate()
		if c.refused != (err != nil && strings.HasPrefix(err.Error(), "end_c: ")) {
			t.Errorf("from %g to %g °C: %v", c.start, c.end, err)
		}
	}
}
