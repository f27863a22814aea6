package trip_test

import (
	"math"
	"testing"

	"letthrough/capture/sim"
)

// What the time base's rate is off, every figure is off that is proportional to time; what is a quotient
// of two such figures, and what is no time at all, is not.
func TestRateOfTheTimeBaseCountsInWhatIsProportionalToTime(t *testing.T) {
	const rate = 0.02
	rec := record(t, "Tin", sim.ShortTest(2, 12, 3), sim.Meter{RateHz: 1000, NoiseA: 0.005, ResolutionA: 0.001}, 3)
	sure := finish(t, rec.Settings, rec.Current)
	rec.Settings.ClockRateU = rate
	unsure := finish(t, rec.Settings, rec.Current)
	seen := 0
	for i, f := range unsure.Figures {
		was := sure.Figures[i]
		if f.Key != was.Key || f.Value != was.Value || f.Bound != was.Bound {
			t.Fatalf("%+v, want only the uncertainty of %+v to change", f, was)
		}
		if !f.Bound.HasValue() {
			continue
		}
		want := was.U
		switch f.Key {
		case "time_to_cutoff_s", "let_through_a2s", "hold_a2s", "hold_s", "charge_c", "retry_period_s", "retry_width_s", "settled_within_s":
			want = math.Hypot(was.U, rate*f.Value)
			seen++
		case "peak_current_a", "sustained_current_a", "heating_current_a", "retry_duty", "retry_count":
			seen++
		default:
			continue
		}
		if math.Abs(f.U-want) > 1e-12 {
			t.Errorf("%s: U %g, want %g", f.Key, f.U, want)
		}
	}
	if seen < 10 {
		t.Errorf("only %d of the figures were there", seen)
	}
	rec.Settings.ClockRateU = 0.2
	if err := rec.Settings.Validate(); err == nil {
		t.Error("a rate off by a fifth was accepted")
	}
}
