package assess

import (
	"fmt"
	"math"

	"letthrough/capture/heat"
	"letthrough/capture/trace"
)

// Load is a load with what can be worked out of what is known of it. What is 0 is not known.
type Load struct {
	trace.Load
	StartC  float64  `json:"start_c"` // °C that it starts at
	LimitC  float64  `json:"limit_c"` // °C that it stands for a moment; 0: not known
	Assumed []string `json:"assumed"` // what was assumed, in sentences
	areaMM2 float64  // of its wire, where its temperature can be told; 0: it cannot
}

// Known works out what can be: a winding's withstand from its wire and thermal class (IEC 60085), a wire's
// by k²S² (IEC 60364-5-54), and of the current for ever, the heat it stands once and the time constant
// the third from the other two (a body of one time constant, IEC 60255-149).
func Known(l trace.Load) *Load {
	k := &Load{Load: l, StartC: heat.AmbientC, Assumed: []string{}}
	assume := func(format string, a ...any) { k.Assumed = append(k.Assumed, fmt.Sprintf(format, a...)) }
	if l.WireDiameterMM > 0 {
		switch c, classed := heat.ClassC(l.InsulationClass); {
		case classed:
			k.LimitC = c
			if l.WithstandA2s == 0 {
				k.WithstandA2s = heat.Winding{WireDiameterMM: l.WireDiameterMM, Class: l.InsulationClass}.WithstandA2s(k.StartC)
				k.areaMM2 = heat.RoundMM2(l.WireDiameterMM)
				assume("withstands %s A²s: the whole current in one copper wire of %s mm, from %g °C to the %g °C of class %s, all heat kept in the wire",
					number(k.WithstandA2s), number(l.WireDiameterMM), k.StartC, c, l.InsulationClass)
			}
		case l.Kind == "wire":
			pvc, _ := heat.InsulationNamed("")
			k.LimitC = pvc.ShortC
			if l.WithstandA2s == 0 {
				k.areaMM2 = heat.RoundMM2(l.WireDiameterMM)
				k.WithstandA2s = heat.Copper.WithstandA2s(k.areaMM2, k.StartC, pvc.ShortC)
				assume("withstands %s A²s: copper of %s mm² in PVC, from %g °C to %g °C, which is meant for shorts of at most %g s",
					number(k.WithstandA2s), number(k.areaMM2), k.StartC, pvc.ShortC, heat.AdiabaticToS)
			}
		}
	}
	switch {
	case k.WithstandA2s > 0 && k.TimeConstantS > 0 && k.ContinuousA == 0:
		k.ContinuousA = heat.Warming{BudgetA2s: k.WithstandA2s, TauS: k.TimeConstantS}.CarriedForEver()
		assume("stands %s A for ever: what its heat and its time constant of %s s come to", number(k.ContinuousA), number(k.TimeConstantS))
	case k.WithstandA2s > 0 && k.ContinuousA > 0 && k.TimeConstantS == 0:
		k.TimeConstantS = k.WithstandA2s / (k.ContinuousA * k.ContinuousA)
		assume("cools with a time constant of %s s: what its heat and its current for ever come to", number(k.TimeConstantS))
	case k.WithstandA2s == 0 && k.ContinuousA > 0 && k.TimeConstantS > 0:
		k.WithstandA2s = heat.ByCurrent(k.ContinuousA, k.TimeConstantS).BudgetA2s
		assume("withstands %s A²s: what its current for ever and its time constant of %s s come to", number(k.WithstandA2s), number(k.TimeConstantS))
	}
	return k
}

// body is the load as one that warms: with its time constant where it is known, else as one that gives off
// nothing.
func (l *Load) body() heat.Warming {
	if l.TimeConstantS > 0 {
		return heat.Warming{BudgetA2s: l.WithstandA2s, TauS: l.TimeConstantS}
	}
	return heat.Warming{BudgetA2s: l.WithstandA2s, TauS: math.Inf(1)}
}

// StandsS is how long the load stands a steady current from cold, seconds; +Inf for ever, NaN where it is not
// known. Where its time constant is not known all heat stays in it: it stands at least so long.
func (l *Load) StandsS(currentA float64) float64 {
	if !(l.WithstandA2s > 0) {
		return math.NaN()
	}
	return l.body().SecondsTo(currentA, 0, 1)
}

// temperature is what a share of the permitted heat has made of the load, °C; NaN where it is not known.
// Of a wire that keeps all heat it follows the adiabatic equation; else it rises evenly with the share.
func (l *Load) temperature(share float64, kept bool) float64 {
	switch {
	case !(l.LimitC > 0):
		return math.NaN()
	case kept && l.areaMM2 > 0:
		return heat.Copper.EndC(share*l.WithstandA2s, l.areaMM2, l.StartC)
	}
	return l.StartC + share*(l.LimitC-l.StartC)
}

// StartC is where a load starts that is not yet warm, °C.
const StartC = heat.AmbientC
