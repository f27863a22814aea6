package trip_test

import (
	"math"
	"testing"

	"letthrough/capture/trace"
)

// A slow meter of which nobody said whether it averages: where the readings jump in one interval it
// may be one that does not, and the instants are known to an interval only.
func TestSlowReadingsThatJumpAreKnownToAnInterval(t *testing.T) {
	for _, phase := range []float64{0.01, 0.03, 0.05, 0.07, 0.09} {
		on, off := 2+phase, 3.9+0.37*phase
		d := finish(t, trace.Settings{RatedCurrentA: 1.2}, wave(10, 0, 20, func(t float64) float64 { return between(t, on, off, 5) }))
		f := bound(t, d, "time_to_cutoff_s", trace.Exact)
		if math.Abs(f.Value-(off-on)) > f.U || f.U > 0.12 {
			t.Errorf("phase %v: %v ± %v s, want %v", phase, f.Value, f.U, off-on)
		}
	}
}
