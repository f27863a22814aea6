package heat

import "math"

// The thermal classes of IEC 60085 and the temperatures they are named by, °C.
var thermalClasses = map[string]float64{"Y": 90, "A": 105, "E": 120, "B": 130, "F": 155, "H": 180}

// ClassC is the temperature of a thermal class of IEC 60085, by its letter.
func ClassC(letter string) (c float64, ok bool) {
	c, ok = thermalClasses[letter]
	return c, ok
}

// Winding is a motor's, wound of round copper wire.
type Winding struct {
	WireDiameterMM float64 // bare
	Class          string  // of its insulation, letter of IEC 60085
	Paths          int     // parallel ways that the current divides into: 2 in most small motors with brushes; 0 is taken as 1, the careful side
}

// WithstandA2s is the heat that takes the winding from startC to the temperature of its class where none gets
// out, by the motor's own current: k²S² times the square of the paths. A motor that stalls after a long run
// starts warm: at AmbientC it is cold. NaN where wire or class are not known, or it starts too warm.
func (w Winding) WithstandA2s(startC float64) float64 {
	end, ok := ClassC(w.Class)
	if !ok {
		return math.NaN()
	}
	n := float64(max(w.Paths, 1))
	return Copper.WithstandA2s(RoundMM2(w.WireDiameterMM), startC, end) * n * n
}

// EndC is the winding's temperature after that much heat by the motor's own current: at most.
func (w Winding) EndC(a2s, startC float64) float64 {
	n := float64(max(w.Paths, 1))
	return Copper.EndC(a2s/(n*n), RoundMM2(w.WireDiameterMM), startC)
}
