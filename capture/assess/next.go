package assess

import (
	"fmt"
	"math"
	"strings"

	"letthrough/capture/trace"
)

// fastEnoughHz is the rate above which a reading is no longer than 50 ms: from there on a meter can tell a
// steady current from pulses.
const fastEnoughHz = 20

// readingsInside is how many readings should fall into the time of a limit to decide it: three make a
// time exact, and a margin keeps one that lies at half the limit decided too.
const readingsInside = 10

// fasterMeter says which meter decides a limit of so many seconds.
func fasterMeter(limitS float64) string {
	hz := max(fastEnoughHz, math.Ceil(readingsInside/limitS))
	return fmt.Sprintf("a meter with at least %.0f readings a second would settle it", hz)
}

// nextFor says what to measure so that a criterion is decided which a run left open.
func nextFor(c Criterion, f trace.Figure, l limits, r Run) string {
	limitS := 1.0
	if high := l.pass.high; strings.HasSuffix(f.Key, "_s") && high > 0 && !math.IsInf(high, 1) {
		limitS = high
	}
	switch {
	case f.Bound == trace.NotResolved:
		return fasterMeter(limitS)
	case f.Bound == trace.Exact:
		return "repeat the test, and measure with a smaller uncertainty"
	case f.Bound == trace.AtMost && strings.HasSuffix(f.Key, "_s"):
		return fasterMeter(limitS)
	case f.Bound == trace.AtLeast && strings.HasSuffix(f.Key, "_s"):
		room := l.caution
		if room.low > room.high {
			room = l.pass
		}
		return fmt.Sprintf("hold for longer than %s, as far as the rig stands it", quantityText(room.high, "s"))
	case f.Key == "trip_current_a" || f.Key == "trip_times_rated":
		return "let the load rise until the unit trips, as far as the rig stands it"
	case f.Bound == trace.AtLeast && strings.HasSuffix(f.Key, "_a"):
		return "an instrument with a larger range and at least 20 readings a second would settle it"
	}
	return fasterMeter(limitS)
}
