package heat

import "math"

// Polymeric is a resettable protector (a polymeric PTC resistor) by its sheet, in still air at 20 °C.
type Polymeric struct {
	HoldA    float64 // carried for ever
	TripA    float64 // trips sooner or later
	TestA    float64 // A, at which it
	TripsByS float64 // trips within, s
	TrippedW float64 // W that it turns into heat while tripped
	LeastOhm float64 // Ω, as new
	MostOhm  float64 // Ω, an hour after it has tripped
}

// Polymerics are examples of a 30 V series, as a maker prints them: they trip at twice what they hold and are
// tested at five times that.
var Polymerics = []Polymeric{
	{0.90, 1.80, 4.50, 5.90, 0.6, 0.070, 0.220},
	{1.10, 2.20, 5.50, 6.60, 0.7, 0.050, 0.170},
	{1.35, 2.70, 6.75, 7.30, 0.8, 0.040, 0.130},
	{1.60, 3.20, 8.00, 8.00, 0.9, 0.030, 0.110},
	{1.85, 3.70, 9.25, 8.70, 1.0, 0.030, 0.090},
	{2.50, 5.00, 12.5, 10.30, 1.2, 0.020, 0.070},
	{3.00, 6.00, 15.0, 10.80, 2.0, 0.020, 0.080},
}

// PolymericHolding finds the one of the series that holds that current.
func PolymericHolding(holdA float64) (p Polymeric, ok bool) {
	for _, p := range Polymerics {
		if p.HoldA == holdA {
			return p, true
		}
	}
	return Polymeric{}, false
}

// Opens says when it trips at a steady current: never at what it holds, not for sure up to what it trips
// at, at the test current and above no later than its sheet says. Between the two last it trips, and
// nobody says when.
func (p Polymeric) Opens(currentA float64) Opening {
	o := Opening{math.NaN(), math.NaN(), 0, inf}
	switch i := math.Abs(currentA); {
	case i <= p.HoldA:
		o.SureEarliestS, o.EarliestS = inf, inf
	case i == p.TestA:
		o.SureLatestS, o.LatestS = p.TripsByS, p.TripsByS
	case i > p.TestA:
		o.SureLatestS = p.TripsByS
	}
	return o
}

// TrippedA is what still flows through it while it is tripped, A: its heat over the volts. To trip is not to
// cut off.
func (p Polymeric) TrippedA(volts float64) float64 {
	if !(volts > 0) {
		return math.NaN()
	}
	return p.TrippedW / volts
}
