package assess_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"letthrough/capture/assess"
)

// swept are pairs of a source of 12 V behind 0.5 Ω, loaded by a resistance that falls, with what limits it.
func swept(limit func(v float64) float64, noise float64) (pairs []assess.Pair) {
	rng := rand.New(rand.NewPCG(8, 9))
	for i := range 4000 {
		load := 60 * math.Exp(-float64(i)/700)
		a := 12 / (0.5 + load)
		v := a * load
		if most := limit(v); a > most {
			// The output drops until what flows fits: v = most * load.
			a = most
			v = a * load
			for range 50 {
				a = min(limit(v), 12/(0.5+load))
				v = a * load
			}
		}
		pairs = append(pairs, assess.Pair{V: v + noise*rng.NormFloat64(), A: a + noise*rng.NormFloat64()})
	}
	return pairs
}

func TestShapesOfTheVoltageCurrentCharacteristic(t *testing.T) {
	for want, limit := range map[string]func(v float64) float64{
		"source":           func(float64) float64 { return math.Inf(1) },
		"constant_current": func(float64) float64 { return 3 },
		"fold_back":        func(v float64) float64 { return 1 + 2*min(max(v/11, 0), 1) },
	} {
		c := assess.VIOf(swept(limit, 0.01))
		if c.Shape != want {
			t.Errorf("%s: called %s; %q", want, c.Shape, c.Say)
		}
		if want != "fold_back" && (math.Abs(c.Ohm-0.5) > max(c.OhmU, 0.05) || math.Abs(c.OpenV-12) > max(c.OpenU, 0.1) || c.OhmU > 0.2) {
			t.Errorf("%s: %v ± %v Ω, %v ± %v V", want, c.Ohm, c.OhmU, c.OpenV, c.OpenU)
		}
	}
}

func TestWhatTheVoltageDoesNotShowIsNotSaid(t *testing.T) {
	for name, pairs := range map[string][]assess.Pair{
		"nothing":     nil,
		"no voltage":  {{0, 1}, {0, 2}},
		"no number":   {{math.NaN(), 1}, {math.Inf(1), 2}, {12, math.NaN()}},
		"open only":   {{12, 0}, {12.01, 0.001}, {11.99, 0}, {12, 0}},
		"a jump only": {{12, 0}, {12, 0}, {12, 0}, {0.1, 20}, {0.1, 20}, {0.1, 20}},
	} {
		if c := assess.VIOf(pairs); c.Shape != "not_resolved" || len(c.Say) == 0 || c.Ohm != 0 {
			t.Errorf("%s: %+v", name, c)
		}
	}
}
