package heat

import "math"

// Warming is a body with one time constant: its share of the permitted rise x obeys
// dx/dt = i²/budget − x/tau. It is the thermal model of IEC 60255-149; that one time constant does for
// leads, resistors and contacts is common practice, no source.
type Warming struct {
	BudgetA2s float64 // heat that uses up the whole rise where none of it gets out
	TauS      float64 // time constant of cooling, s; +Inf: it gives off nothing (adiabatic)
}

// CarriedForEver is the current whose rise ends exactly at what is permitted, A; 0 where no heat gets out.
func (w Warming) CarriedForEver() float64 { return math.Sqrt(w.BudgetA2s / w.TauS) }

// ByCurrent is the body that carries ratedA for ever, with that time constant.
func ByCurrent(ratedA, tauS float64) Warming { return Warming{ratedA * ratedA * tauS, tauS} }

// ByOverload is the body that carries ratedA for ever and factor times its heat for overS seconds from
// cold: the time constant between the two. NaN where factor is not above 1.
func ByOverload(ratedA, factor, overS float64) Warming {
	if !(factor > 1) || !(overS > 0) {
		return Warming{math.NaN(), math.NaN()}
	}
	return ByCurrent(ratedA, -overS/math.Log1p(-1/factor))
}

// ByOnTime is the body that carries ratedA for onS seconds and then needs restS seconds, after which a
// twentieth of the rise is left: three time constants (common practice, no source).
func ByOnTime(ratedA, onS, restS float64) Warming {
	tau := restS / 3
	if !(restS > 0) {
		return Warming{ratedA * ratedA * onS, math.Inf(1)}
	}
	return Warming{-ratedA * ratedA * tau * math.Expm1(-onS/tau), tau}
}

// Share is x after s seconds of a steady current, begun at the share from.
func (w Warming) Share(currentA, s, from float64) float64 {
	rate := currentA * currentA / w.BudgetA2s
	if math.IsInf(w.TauS, 1) {
		return from + rate*s
	}
	end := rate * w.TauS
	return from*math.Exp(-s/w.TauS) - end*math.Expm1(-s/w.TauS)
}

// SecondsTo is when a steady current that begins at the share from has got to the share to: 0 where it is
// there already, +Inf where it never comes. From cold it is tau ln(I²/(I²−It²)), from warm
// tau ln((I²−Ip²)/(I²−It²)) (IEC 60255-149).
func (w Warming) SecondsTo(currentA, from, to float64) float64 {
	rate := currentA * currentA / w.BudgetA2s
	switch {
	case math.IsNaN(rate) || math.IsNaN(w.TauS):
		return math.NaN()
	case from >= to:
		return 0
	case rate == 0:
		return math.Inf(1)
	case math.IsInf(w.TauS, 1):
		return (to - from) / rate
	}
	end := rate * w.TauS
	if end <= to*(1+1e-9) { // what is carried for ever, but for the arithmetic
		return math.Inf(1)
	}
	return w.TauS * math.Log((end-from)/(end-to))
}

// RestS is how long it must carry nothing to get from a share to a lower one: +Inf where it never cools.
func (w Warming) RestS(from, to float64) float64 {
	switch {
	case from <= to:
		return 0
	case !(to > 0):
		return math.Inf(1)
	}
	return w.TauS * math.Log(from/to)
}
