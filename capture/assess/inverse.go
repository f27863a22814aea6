package assess

import "math"

// Inverse is one of the tabled inverse-time curves, t = TMS (k/((I/Is)^alpha - 1) + c), seconds.
type Inverse struct {
	Letter string  // of IEC 60255-151, empty where it has none
	Name   string  //
	K      float64 // s
	Alpha  float64
	C      float64 // s
}

// Inverses are the curves of IEC 60255-151 table 1 (A to F) and two that are usual beside them.
var Inverses = []Inverse{
	{"A", "inverse", 0.14, 0.02, 0},
	{"B", "very inverse", 13.5, 1, 0},
	{"C", "extremely inverse", 80, 2, 0},
	{"D", "IEEE moderately inverse", 0.0515, 0.02, 0.114},
	{"E", "IEEE very inverse", 19.61, 2, 0.491},
	{"F", "IEEE extremely inverse", 28.2, 2, 0.1217},
	{"", "long-time inverse", 120, 1, 0},
	{"", "short-time inverse", 0.05, 0.04, 0},
}

// Seconds is the operating time at so many times the setting, for a time multiplier of 1; +Inf up to the
// setting.
func (c Inverse) Seconds(timesSetting float64) float64 {
	if !(timesSetting > 1) {
		return math.Inf(1)
	}
	return c.K/math.Expm1(c.Alpha*math.Log(timesSetting)) + c.C
}

// ThermalSeconds is the time that a body of one time constant takes from cold to its limit, tau
// ln(I²/(I²-It²)), IEC 60255-149; warmA is a current that it carried before for long, 0 from cold. +Inf up
// to the limit.
func ThermalSeconds(currentA, limitA, warmA, tauS float64) float64 {
	i2, t2, p2 := currentA*currentA, limitA*limitA, warmA*warmA
	switch {
	case p2 >= t2:
		return 0
	case i2 <= t2:
		return math.Inf(1)
	}
	return tauS * math.Log1p((t2-p2)/(i2-t2))
}
