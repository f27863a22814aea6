package trip_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
)

// An instrument is off by a gain and an offset drawn evenly within its specification: the levels, the heat and
// the charge of its readings are covered as often as those of a faultless one, and its instants are no worse.
func TestHonestWithinTheAccuracy(t *testing.T) {
	const trials, percent, counts, count = 60, 1.0, 5.0, 0.001
	in, n := map[string]int{}, map[string]int{}
	for _, name := range []string{"Tin", "Slate", "Clay"} {
		for seed := range uint64(trials) {
			rnd := rand.New(rand.NewPCG(seed, 21))
			evenly := func(half float64) float64 { return half * (2*rnd.Float64() - 1) }
			m := sim.Meter{RateHz: 1000 * (0.9 + 0.2*rnd.Float64()), NoiseA: 0.004, ResolutionA: count, PhaseS: -1,
				GainError: evenly(percent / 100), OffsetA: evenly(counts * count)}
			rec := record(t, name, sim.ShortTest(2, 4, 1), m, seed+1)
			rec.Settings.Accuracy = trace.Accuracy{Percent: percent, Counts: counts}
			d, err := trip.New(rec.Settings)
			if err != nil {
				t.Fatal(err)
			}
			d.Current(rec.Current)
			out := d.Finish()
			for _, key := range []string{"time_to_cutoff_s", "sustained_current_a", "peak_current_a", "end_current_a", "let_through_a2s", "hold_a2s", "charge_c", "heating_current_a"} {
				f, _ := out.Figures.Get(key)
				if truth, ok := rec.Truth.Figures[key]; ok && f.Bound == trace.Exact {
					n[key]++
					if math.Abs(f.Value-truth) <= f.U+tiny(truth) {
						in[key]++
					}
				}
			}
		}
	}
	for key := range n {
		t.Logf("%s: %d of %d", key, in[key], n[key])
		if float64(in[key])/float64(n[key]) < floor(honestCover, n[key]) {
			t.Errorf("%s: covered in %d of %d trials", key, in[key], n[key])
		}
	}
	if len(n) < 8 {
		t.Errorf("only %d of the figures were there", len(n))
	}
}
