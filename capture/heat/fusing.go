package heat

import "math"

// Preece's constants, A/in^1.5: the current that melts a straight wire in free air. His experiments of the
// 1880s; the numbers as handbooks print them.
var preece = map[string]float64{
	"copper": 10244, "aluminium": 7585, "platinum": 5172, "German silver": 5230, "platinoid": 4750,
	"iron": 3148, "tin": 1642, "tin-lead": 1318, "lead": 1379,
}

// PreeceA is the current, A, that melts a wire of that metal and bare diameter sooner or later: C d^1.5. NaN
// for a metal that Preece has no constant of.
func PreeceA(metal string, diameterMM float64) float64 {
	c, ok := preece[metal]
	if !ok || !(diameterMM > 0) {
		return math.NaN()
	}
	return c * math.Pow(diameterMM/25.4, 1.5)
}

// PreeceDiameterMM is the wire that such a current melts: the same the other way round.
func PreeceDiameterMM(metal string, currentA float64) float64 {
	c, ok := preece[metal]
	if !ok || !(currentA > 0) {
		return math.NaN()
	}
	return 25.4 * math.Pow(currentA/c, 2.0/3)
}

const (
	copperMeltsC   = 1083.0 // as Onderdonk's equation has it
	onderdonkBetaC = 234.0
	onderdonkC     = 33.0
)

// OnderdonkA is the current, A, that melts a copper wire of that area within overS seconds, all heat kept:
// 33 (I/A)² s = log10(1 + (1083 − Ta)/(234 + Ta)), A in circular mils. It is adiabatic, so for 10 s at most.
// No original paper is known; the earliest trace is of 1928. Prints that have 234 − Ta are wrong.
func OnderdonkA(areaMM2, overS, ambientC float64) float64 {
	if !(areaMM2 > 0) || !(overS > 0) || ambientC <= -onderdonkBetaC {
		return math.NaN()
	}
	cmil := areaMM2 * 4 / math.Pi / (0.0254 * 0.0254)
	return cmil * math.Sqrt(math.Log10(1+(copperMeltsC-ambientC)/(onderdonkBetaC+ambientC))/(onderdonkC*overS))
}
