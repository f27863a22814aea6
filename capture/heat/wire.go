package heat

import (
	"fmt"
	"math"
)

// AWG is a size of the American wire gauge (ASTM B258): 36 is 0.005 in, 0000 (−3) is 0.46 in, and the sizes
// between are a geometric series.
type AWG int

// AWGFrom and AWGTo are the sizes that the series is stated for here: 0000 to 50.
const (
	AWGFrom AWG = -3
	AWGTo   AWG = 50
)

// DiameterMM is the bare diameter, mm; NaN outside the series.
func (n AWG) DiameterMM() float64 {
	if n < AWGFrom || n > AWGTo {
		return math.NaN()
	}
	return 25.4 * 0.005 * math.Pow(92, float64(36-n)/39)
}

// AreaMM2 is the area of the round wire.
func (n AWG) AreaMM2() float64 { return RoundMM2(n.DiameterMM()) }

// CircularMils is the area as a wire table has it: the square of the diameter in thousandths of an inch.
func (n AWG) CircularMils() float64 {
	mil := n.DiameterMM() / 0.0254
	return mil * mil
}

// ParseAWG reads "18", "AWG 18", "0000" or "4/0".
func ParseAWG(s string) (AWG, error) {
	n, err := parseAWG(s)
	if err != nil || n < AWGFrom || n > AWGTo {
		return 0, fmt.Errorf("%.20q is no size of the American wire gauge: write a number from 0000 or 4/0 to %d", s, AWGTo)
	}
	return n, nil
}

// RoundMM2 is the area of a round wire of that diameter.
func RoundMM2(diameterMM float64) float64 {
	if !(diameterMM > 0) {
		return math.NaN()
	}
	return math.Pi / 4 * diameterMM * diameterMM
}

// Copper's standard resistance: 1/58 Ω mm²/m at 20 °C (IEC 60028), 0.00393 a kelvin.
const (
	copper20OhmMM2PerM = 1.0 / 58
	copperPerK         = 0.00393
)

// CopperOhm is the resistance of annealed copper by IEC 60028, Ω, linear about 20 °C.
func CopperOhm(lengthM, areaMM2, atC float64) float64 {
	if !(areaMM2 > 0) || !(lengthM >= 0) {
		return math.NaN()
	}
	return copper20OhmMM2PerM * lengthM / areaMM2 * (1 + copperPerK*(atC-20))
}

// Stranding is a class of IEC 60228: 1 solid, 2 stranded, 5 flexible.
type Stranding struct {
	Class  int
	Tinned bool
}

// cable60228 is a row of the tables of IEC 60228: largest resistance of a metre of copper at 20 °C, in mΩ.
type cable60228 struct {
	areaMM2                                      float64
	plain12, tinned2, flexiblePlain, flexTinned5 float64 // class 1 or 2, 2 tinned, 5, 5 tinned
}

var cables60228 = []cable60228{
	{0.5, 36.0, 36.7, 39.0, 40.1},
	{0.75, 24.5, 24.8, 26.0, 26.7},
	{1, 18.1, 18.2, 19.5, 20.0},
	{1.5, 12.1, 12.2, 13.3, 13.7},
	{2.5, 7.41, 7.56, 7.98, 8.21},
}

// CableOhmPerM is the largest resistance that IEC 60228 allows a metre of copper cable at 20 °C. Areas
// between the table's rows, and class 1 tinned, are not in it: ok is false then.
func CableOhmPerM(areaMM2 float64, s Stranding) (ohm float64, ok bool) {
	for _, c := range cables60228 {
		if c.areaMM2 != areaMM2 {
			continue
		}
		switch s {
		case Stranding{1, false}, Stranding{2, false}:
			return c.plain12 / 1000, true
		case Stranding{2, true}:
			return c.tinned2 / 1000, true
		case Stranding{5, false}:
			return c.flexiblePlain / 1000, true
		case Stranding{5, true}:
			return c.flexTinned5 / 1000, true
		}
	}
	return 0, false
}

// LeadOhm is what a lead has at a temperature: a flexible cable's largest by IEC 60228 where that size is in
// the table, else the copper's own by its area. Of another material its own.
func LeadOhm(m Material, lengthM, areaMM2, atC float64) float64 {
	if m == Copper {
		if per, ok := CableOhmPerM(areaMM2, Stranding{Class: 5}); ok {
			return per * lengthM * m.ResistanceFactor(atC)
		}
		return CopperOhm(lengthM, areaMM2, atC)
	}
	return m.Ohm(lengthM, areaMM2, atC)
}
