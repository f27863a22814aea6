package trip_test

import (
	"math/rand/v2"
	"testing"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
)

// A small unit under its own rated load, read by a slow and noisy meter: the load lies below the level that
// tells an onset from noise. That it fell below it is no trip.
func TestLoadThatDrownsInTheNoiseIsNeverATrip(t *testing.T) {
	var moss sim.Unit
	for _, u := range sim.Shelf() {
		if u.Plate.Name == "Moss" {
			moss = u
		}
	}
	unsure := 0
	for seed := range uint64(12) {
		rnd := rand.New(rand.NewPCG(seed, 7))
		m := sim.Meter{RateHz: 2.5, NoiseA: 0.02, ResolutionA: 0.001, AveragingS: 0.4, PhaseS: -1}
		rec, err := sim.Record(moss, sim.CarryTest(moss, 3+0.1*rnd.Float64(), 20, true), m, seed)
		if err != nil {
			t.Fatal(err)
		}
		res := finish(t, rec.Settings, rec.Current)
		switch res.Behaviour {
		case trace.Tripped:
			t.Errorf("seed %d: a unit that carries its load is said to have tripped", seed)
		case trace.BehaviourUnsure:
			unsure++
			for _, f := range res.Figures {
				if f.Key == "carried_for_s" && f.Bound == trace.AtMost {
					t.Errorf("seed %d: carried for at most %g s", seed, f.Value)
				}
			}
		}
	}
	if unsure == 0 {
		t.Error("the noise never hid the load: this tells nothing")
	}
}
